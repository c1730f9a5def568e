package collector

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	neturl "net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

const secretBytes = 32

// Enrol adds a station with a new secret and what is known of it. Where its
// interval is known and no longest step is given, the proposal is recorded:
// 1.5 intervals, and at least the default.
func Enrol(ctx context.Context, s *store.Store, id string, facts []fact.Fact, now time.Time, author string) error {
	if err := receipt.ValidStation(id); err != nil {
		return err
	}
	if id == DefaultConfig().Broker.User {
		return fmt.Errorf("station id %q: it is the collector's own name at a broker; choose another", id)
	}
	if err := checkFacts(ctx, s, facts); err != nil {
		return err // before anything is written
	}
	facts = append(facts, proposeMaxGap(facts)...)
	random := make([]byte, secretBytes)
	if _, err := rand.Read(random); err != nil {
		return fmt.Errorf("make a secret: %w", err)
	}
	secret, err := receipt.NewSecret(random)
	if err != nil {
		return err
	}
	if err := s.AddStation(ctx, record.Station{ID: id, Secret: secret, Enrolled: unit.At(now)}, author); err != nil {
		return err
	}
	return s.AddFacts(ctx, facts)
}

func proposeMaxGap(facts []fact.Fact) []fact.Fact {
	if slices.ContainsFunc(facts, func(f fact.Fact) bool { return f.Name == fact.MaxGap }) {
		return nil
	}
	i := slices.IndexFunc(facts, func(f fact.Fact) bool { return f.Name == fact.Interval })
	if i < 0 {
		return nil
	}
	interval, ok := fact.DurationAt(facts, fact.Interval, facts[i].From)
	if !ok || interval+interval/2 <= exposure.DefaultMaxGap {
		return nil
	}
	proposed := facts[i]
	proposed.Name, proposed.Value = fact.MaxGap, (interval + interval/2).String()
	return []fact.Fact{proposed}
}

func checkFacts(ctx context.Context, s *store.Store, facts []fact.Fact) error {
	sites, err := s.Sites(ctx)
	if err != nil {
		return err
	}
	for _, f := range facts {
		if err := fact.Validate(f); err != nil {
			return err
		}
		if f.Name == fact.Site && !slices.Contains(sites, f.Value) {
			return fmt.Errorf("station %s: site %q is not known: add it first, with dewpost site add %s", f.Subject.ID, f.Value, f.Value)
		}
	}
	return nil
}

// WriteBundle writes what a station's agent needs into dir, readable by its
// owner only: the secret, a config to complete, and for the access list of an
// external broker the password. It returns the files written.
func WriteBundle(ctx context.Context, s *store.Store, cfg Config, id, dir string) ([]string, error) {
	st, err := s.Station(ctx, id)
	if err != nil {
		return nil, fmt.Errorf("station %s: %w", id, err)
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("enrol %s: %w", id, err)
	}
	broker := agentURL(cfg)
	files := []struct{ name, text string }{
		{id + ".secret", st.Secret.Hex() + "\n"},
		{"agent.toml", fmt.Sprintf(agentConfig, brokerNote(broker), broker, id, id)},
	}
	if cfg.Broker.URL != "" {
		files = append(files, struct{ name, text string }{id + ".password", st.Secret.Password() + "\n"})
	}
	var written []string
	for _, f := range files {
		path := filepath.Join(dir, f.name)
		if err := writeNew(path, f.text); err != nil {
			return written, fmt.Errorf("enrol %s: %w", id, err)
		}
		written = append(written, path)
	}
	return written, nil
}

// agentURL is the broker's address in the agent's spelling.
func agentURL(cfg Config) string {
	if cfg.Broker.URL == "" {
		return "mqtt://" + cfg.Stations.Listen
	}
	scheme, rest, _ := strings.Cut(cfg.Broker.URL, "://")
	switch scheme {
	case "tcp", "mqtt":
		return "mqtt://" + rest
	default:
		return "mqtts://" + rest
	}
}

func brokerNote(url string) string {
	u, err := neturl.Parse(url)
	if err != nil || loopback("", u.Host, "") != nil {
		return ""
	}
	return "# This address reaches the broker from the collector's own machine only.\n"
}

func writeNew(path, text string) (err error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, os.ErrExist) {
		return fmt.Errorf("%s is there already: remove it or choose another folder", path)
	}
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	_, err = f.WriteString(text)
	return err
}

// agentConfig is a beginning; deploy/agent.toml documents every key.
const agentConfig = `%sbroker = %q
spool_dir = "spool"

[[station]]
id = %q
secret_file = "%s.secret"
interval = "10m"

# Name what the station measures with here; the sample config documents every
# driver and key, and dewpost-agent check says what is missing.
`
