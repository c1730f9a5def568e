package agent

import (
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"dewpost/agent/sensor/replay"
	"dewpost/agent/sensor/sht4x"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
)

// Problem is one thing wrong with a configuration.
type Problem struct {
	Key  string // as in station[1].secret_file; stations and sensors count from 1
	What string // the value and what is wrong with it
	Fix  string // what to do
}

func (p Problem) Error() string { return p.Key + ": " + p.What + "; " + p.Fix }

// Check looks into the configuration and the files it names, and returns all
// problems, in the order of the file.
func (c Config) Check() []Problem {
	return plan(c, nil, nil).problems
}

// planned is a configuration made ready to run.
type planned struct {
	Config
	broker   *url.URL
	tls      *tls.Config
	stations []plannedStation
	problems []Problem
}

type plannedStation struct {
	Station
	secret     receipt.Secret
	secretPath string // "" when the secret was given
}

func (p *planned) problem(key, fix, what string, args ...any) {
	p.problems = append(p.problems, Problem{Key: key, What: fmt.Sprintf(what, args...), Fix: fix})
}

// plan checks everything. Stations with a feed need no sensors, and those
// with a secret no file.
func plan(c Config, feeds map[string]Feed, secrets map[string]receipt.Secret) *planned {
	p := &planned{Config: c.withDefaults()}
	if p.Logger.Dir == "" {
		p.checkBroker()
	} else {
		p.checkLogger()
	}
	p.checkSpool()
	p.checkNumbers()
	if len(c.Stations) == 0 {
		p.problem("station", "add a [[station]] table", "there is none")
	}
	seen := map[string]bool{}
	for i, st := range p.Stations {
		key := fmt.Sprintf("station[%d]", i+1)
		if err := receipt.ValidStation(st.ID); err != nil {
			p.problem(key+".id", "write it as enrolled", "%v", err)
		}
		if seen[st.ID] {
			p.problem(key+".id", "give each station one table", "%q stands twice", st.ID)
		}
		seen[st.ID] = true
		ps := plannedStation{Station: st, secret: secrets[st.ID]}
		if ps.secret.IsZero() && (p.Logger.Dir == "" || st.SecretFile != "") {
			ps.secretPath, ps.secret = p.checkSecret(key+".secret_file", st.SecretFile)
		}
		if _, fed := feeds[st.ID]; !fed {
			p.checkSource(key, st)
		}
		p.checkPlan(key, st)
		p.stations = append(p.stations, ps)
	}
	return p
}

func (p *planned) checkBroker() {
	const fix = "write mqtts://HOST[:8883], or mqtt://HOST[:1883] for a broker on this machine"
	u, err := url.Parse(p.Broker)
	if err != nil || u.Hostname() == "" || u.Scheme != "mqtts" && u.Scheme != "mqtt" {
		p.problem("broker", fix, "%q is not the address of a broker", p.Broker)
		return
	}
	if u.User != nil || u.Path != "" && u.Path != "/" || u.RawQuery != "" {
		p.problem("broker", fix, "%q has more than host and port; user and password come from the station", u.Redacted())
		return
	}
	encrypted := u.Scheme == "mqtts"
	if u.Port() == "" {
		u.Host = net.JoinHostPort(u.Hostname(), map[bool]string{true: "8883", false: "1883"}[encrypted])
	}
	p.broker = u
	if !encrypted {
		if !loopback(u.Hostname()) && !p.Plaintext {
			p.problem("broker", "use mqtts://, or accept the risk by name with plaintext = true", "%q is not encrypted and not on this machine", p.Broker)
		}
		if p.CAFile != "" {
			p.problem("ca_file", "use mqtts://, or remove the key", "it has no use without encryption")
		}
		return
	}
	p.tls = &tls.Config{MinVersion: tls.VersionTLS13, ServerName: u.Hostname()}
	if p.CAFile != "" {
		p.tls.RootCAs, p.tls.Time = p.authority()
	}
}

func (p *planned) checkLogger() {
	if p.Broker != "" {
		p.problem("broker", "remove it, or remove logger.dir", "a logger connects to nobody")
	}
	if p.Logger.Every < Duration(time.Second) || p.Logger.Every > Duration(24*time.Hour) {
		p.problem("logger.every", "write 1s to 24h", "%q is out of range", p.Logger.Every)
	}
	for i, st := range p.Stations {
		if st.Replay != nil {
			p.problem(fmt.Sprintf("station[%d].replay", i+1), "import the log itself", "a logger does not replay files")
		}
	}
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// credential begins a path that names a credential of the service.
const credential = "credential:"

// file returns the path of a file that may be a credential; ok is false when
// there is no such credential.
func (p *planned) file(key, path string) (_ string, ok bool) {
	name, ok := strings.CutPrefix(path, credential)
	if !ok {
		return path, true
	}
	fix := fmt.Sprintf("run the agent as a systemd service that has LoadCredential=%s:FILE, or write the path of a file", name)
	dir := os.Getenv("CREDENTIALS_DIRECTORY")
	switch {
	case name == "" || strings.ContainsRune(name, '/') || strings.HasPrefix(name, "."):
		p.problem(key, "write credential: and the name of a credential, or the path of a file", "%q names no credential", path)
	case dir == "":
		p.problem(key, fix, "%q: this program was handed no credentials ($CREDENTIALS_DIRECTORY is not set)", path)
	default:
		return filepath.Join(dir, name), true
	}
	return "", false
}

// authority returns the certificates of ca_file, and the time by which the
// broker's is verified against them.
func (p *planned) authority() (*x509.CertPool, func() time.Time) {
	path, ok := p.file("ca_file", p.CAFile)
	if !ok {
		return nil, nil
	}
	text, err := os.ReadFile(path)
	if err != nil {
		p.problem("ca_file", "copy the collector's certificate there", "%s", reason(err, path))
		return nil, nil
	}
	pool := x509.NewCertPool()
	var newest time.Time
	found := false
	for block, rest := pem.Decode(text); block != nil; block, rest = pem.Decode(rest) {
		cert, err := x509.ParseCertificate(block.Bytes)
		if err != nil {
			p.problem("ca_file", "copy the collector's certificate there anew", "%s: %v", path, err)
			return nil, nil
		}
		pool.AddCert(cert)
		found = true
		if cert.NotBefore.After(newest) {
			newest = cert.NotBefore
		}
	}
	if !found {
		p.problem("ca_file", "copy the collector's certificate there anew", "%s holds no certificate in PEM form", path)
	}
	return pool, notBefore(newest)
}

// notBefore returns a clock for verifying certificates: the machine's, but a
// day into an authority's life while that shows an earlier time. A board
// without a battery starts in 1970, connects, and may learn the time only then;
// no right clock shows a time before its own authority was made. Nothing but
// dates is taken on trust by that, and only from the authority that the person
// who set up the agent named: the system's certificates, which anybody may have
// got one from whose key has been lost since, are never verified in the past.
// A certificate of your own that begins later than that day waits for the clock.
func notBefore(authority time.Time) func() time.Time {
	return func() time.Time {
		now := time.Now()
		if now.Before(authority) {
			return authority.Add(24 * time.Hour)
		}
		return now
	}
}

// reason says in a few words why a file can't be used.
func reason(err error, path string) string {
	switch {
	case path == "":
		return "is missing"
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Sprintf("%s does not exist", path)
	case errors.Is(err, fs.ErrPermission):
		return fmt.Sprintf("%s may not be read by this user", path)
	}
	return err.Error()
}

func (p *planned) checkSpool() {
	if p.SpoolDir == "" {
		p.problem("spool_dir", "name a folder on a disk that survives a power cut", "is missing")
		return
	}
	info, err := os.Stat(p.SpoolDir)
	switch {
	case errors.Is(err, fs.ErrNotExist): // it will be made
	case err != nil:
		p.problem("spool_dir", "give the agent's user access to it", "%s", reason(err, p.SpoolDir))
	case !info.IsDir():
		p.problem("spool_dir", "name a folder", "%s is not a folder", p.SpoolDir)
	}
}

func (p *planned) checkNumbers() {
	if p.SpoolMaxMB < 1 || p.SpoolMaxMB > 1<<20 {
		p.problem("spool_max_mb", "write 1 or more", "%d", p.SpoolMaxMB)
	}
	if p.SpoolMaxDays < 0 || p.SpoolMaxDays > 36500 {
		p.problem("spool_max_days", "write the days, or 0 for any age", "%d", p.SpoolMaxDays)
	}
	if p.Retry < Duration(time.Second) {
		p.problem("retry", "write 1s or more", "%q is too short", p.Retry)
	}
	if p.InFlight < 1 || p.InFlight > 1000 {
		p.problem("in_flight", "write 1 to 1000", "%d", p.InFlight)
	}
	if p.ClockWait < Duration(time.Second) || p.ClockWait > Duration(24*time.Hour) {
		p.problem("clock_wait", "write 1s to 24h", "%q is out of range", p.ClockWait)
	}
	if p.Recovery.InterfaceAfter < Duration(time.Minute) {
		p.problem("recovery.interface_after", "write 1m or more; it begins when no receipt has come for so long", "%q is too short", p.Recovery.InterfaceAfter)
	}
	if p.Recovery.RebootAfter < Duration(time.Hour) {
		p.problem("recovery.reboot_after", "write 1h or more: a machine that restarts too often measures nothing", "%q is too short", p.Recovery.RebootAfter)
	}
	p.checkCommand("recovery.interface_command", p.Recovery.InterfaceCommand)
	p.checkCommand("recovery.reboot_command", p.Recovery.RebootCommand)
	if strings.ContainsRune(p.Lamp, '/') {
		p.problem("lamp", "write its name in /sys/class/leds, such as ACT", "%q is a path", p.Lamp)
	}
	if p.StateEvery < Duration(time.Second) {
		p.problem("state_every", "write 1s or more", "%q is too short", p.StateEvery)
	}
}

func (p *planned) checkCommand(key string, command []string) {
	if len(command) == 0 {
		return
	}
	if _, err := exec.LookPath(command[0]); err != nil {
		p.problem(key, "write a program with its full path, then its arguments, each in quotes", "%q: %v", command, err)
	}
}

func (p *planned) checkSecret(key, name string) (path string, secret receipt.Secret) {
	path, ok := p.file(key, name)
	if !ok {
		return "", receipt.Secret{}
	}
	const fix = "copy the station's secret there, readable by the agent's user only"
	secret, err := readSecret(path)
	var file *fs.PathError
	switch {
	case errors.As(err, &file):
		p.problem(key, fix, "%s", reason(err, path))
	case err != nil:
		p.problem(key, fix, "%s: %v", path, err)
	}
	if info, err := os.Stat(path); err == nil && info.Mode().Perm()&0o007 != 0 {
		p.problem(key, "run chmod o= "+path, "%s may be used by everyone (mode %o)", path, info.Mode().Perm())
	}
	return path, secret
}

func readSecret(path string) (receipt.Secret, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return receipt.Secret{}, err
	}
	return receipt.ParseSecret(string(text))
}

// checkSource looks into what the station reports.
func (p *planned) checkSource(key string, st Station) {
	switch {
	case st.Replay != nil && len(st.Sensors) > 0:
		p.problem(key, "keep either replay or sensor", "a station replays a file or has sensors, not both")
	case st.Replay != nil:
		p.checkReplay(key+".replay", *st.Replay)
	case len(st.Sensors) == 0:
		p.problem(key+".sensor", "add a [[station.sensor]] table, or [station.replay]", "there is none")
	default:
		p.checkSensors(key, st)
	}
	if p.Replay.ExitWhenDone && st.Replay == nil {
		p.problem("replay.exit_when_done", "remove it, or serve the stations with sensors by another agent", "station %s has no replay and never ends", st.ID)
	}
}

func (p *planned) checkReplay(key string, r ReplayFile) {
	if r.Speed != nil && !(*r.Speed >= 0 && *r.Speed <= 1e9) {
		p.problem(key+".speed", "write 0 for as fast as possible, or a factor", "%v", *r.Speed)
	}
	if r.File == "" {
		p.problem(key+".file", "name a CSV file", "is missing")
		return
	}
	f, err := replay.Open(r.File, r.Map)
	if err != nil {
		p.problem(key+".file", "correct the file, or the map", "%v", err)
		return
	}
	if err := f.Close(); err != nil {
		p.problem(key+".file", "look at the disk", "%v", err)
	}
}

func (p *planned) checkSensors(key string, st Station) {
	owner, places := map[reading.Channel]int{}, map[string]int{}
	for i, sc := range st.Sensors {
		key := fmt.Sprintf("%s.sensor[%d]", key, i+1)
		sensor, problem := newSensor(sc, newHardware(time.Now))
		if problem != nil {
			problem.Key = key + "." + problem.Key
			p.problems = append(p.problems, *problem)
			continue
		}
		for _, c := range sensor.Channels() {
			if first, twice := owner[c]; twice {
				p.problem(key, "let one sensor measure it", "%s comes from sensor[%d] already", c.Name(), first)
			}
			owner[c] = i + 1
		}
		p.checkPlace(key, st.Sensors, i, places)
	}
}

// checkPlace looks that no two kinds of chip are told to be at one address.
func (p *planned) checkPlace(key string, sensors []Sensor, i int, places map[string]int) {
	c := sensors[i]
	d, _ := driverOf(c.Driver)
	if d.addresses == nil {
		return
	}
	place := fmt.Sprintf("0x%02X on bus %d", d.address(c), *c.Bus)
	first, twice := places[place]
	if !twice {
		places[place] = i + 1
		return
	}
	if other := sensors[first-1].Driver; other != c.Driver {
		p.problem(key+".address", "correct one of them; dewpost-agent probe shows which chip answers there", "%s is where sensor[%d] has a %s", place, first, other)
	}
}

func (p *planned) checkPlan(key string, st Station) {
	if st.Interval < Duration(time.Second) || st.Interval > Duration(24*time.Hour) {
		p.problem(key+".interval", "write 1s to 24h", "%q is out of range", st.Interval)
		return
	}
	if st.Burst < 1 || time.Duration(st.Interval)/time.Duration(st.Burst) < 100*time.Millisecond {
		p.problem(key+".burst", "write 1 or more, with at least 0.1 s for each sample", "%d", st.Burst)
		return
	}
	every := time.Duration(st.Interval) / time.Duration(st.Burst)
	for i, sc := range st.Sensors {
		if sc.HeaterEvery > 0 && every <= sht4x.HeatTime {
			p.problem(fmt.Sprintf("%s.sensor[%d].heater_every", key, i+1), "write a longer interval or a smaller burst, or leave heater_every out", "a sample every %s leaves no time for a pulse of %s", every, sht4x.HeatTime)
		}
	}
	if time.Duration(st.Interval)%time.Duration(st.Burst) != 0 {
		p.problem(key+".burst", "write a number that divides the interval", "%d does not divide %s", st.Burst, st.Interval)
	}
}
