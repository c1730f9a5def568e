package web

import (
	"errors"
	"net/http"
	"strconv"
	"time"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/words"
	"dewpost/rules/sensing"
	"dewpost/rules/unit"
)

// saltCheck is what a person says of a salt check.
type saltCheck struct {
	Salt    string   `json:"salt"`
	TempC   *float64 `json:"temp_c"`
	Reads   *float64 `json:"reads_pct"`
	Settled string   `json:"settled"` // as in 8h
	At      string   `json:"at"`      // "" is now
}

// record writes a check down for who asks.
func (c *saltCheck) record(s *server, r *http.Request) (out books.SaltChecked, err error) {
	for name, v := range map[string]*float64{"temp_c": c.TempC, "reads_pct": c.Reads} {
		if v == nil {
			return out, books.Error{Field: name, Fix: "write a number"}
		}
	}
	settled, err := time.ParseDuration(c.Settled)
	if err != nil {
		return out, books.Error{Field: "settled", Value: c.Settled, Fix: "write how long it stood over the salt, as in 8h"}
	}
	at := s.now()
	if c.At != "" {
		if at, err = books.ParseInstant("at", c.At); err != nil {
			return out, err
		}
	}
	check, err := sensing.NewSaltCheck(c.Salt, *c.TempC, *c.Reads, settled)
	if bad := (sensing.Wrong{}); errors.As(err, &bad) {
		field := map[string]string{"temp": "temp_c", "reads": "reads_pct"}[bad.Field]
		if field == "" {
			field = bad.Field
		}
		return out, books.Error{Field: field, Value: bad.Value, Fix: bad.Fix}
	}
	return books.CheckSalt(r.Context(), s.cfg.Books, r.PathValue("id"), check, at, s.now(), visitorOf(r).Name)
}

// noStation makes a problem of a station that isn't there.
func noStation(r *http.Request, err error) error {
	if errors.Is(err, record.ErrNotFound) {
		return &problem{Status: http.StatusNotFound, Title: "There is no such station", Field: "id", Value: r.PathValue("id"), Fix: "take an id from the page Books"}
	}
	return wrong(err)
}

func (s *server) apiSaltChecks(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	all, err := books.SaltChecks(r.Context(), s.cfg.Books, r.PathValue("id"), s.now())
	if err != nil {
		return noStation(r, err)
	}
	return sendJSON(w, r, list[books.SaltChecked]{Items: append([]books.SaltChecked{}, all...)})
}

func (s *server) apiCheckSalt(w http.ResponseWriter, r *http.Request) error {
	said := saltCheck{Settled: "8h"}
	if err := jsonBody(r, &said); err != nil {
		return err
	}
	out, err := said.record(s, r)
	if err != nil {
		return noStation(r, err)
	}
	return sendJSON(w, r, out)
}

// checkSalt takes the form of a station's page.
func (s *server) checkSalt(w http.ResponseWriter, r *http.Request) error {
	v, err := form(w, r, "salt", "temp_c", "reads_pct", "settled", "at")
	if err != nil {
		return err
	}
	said := saltCheck{Salt: v.Get("salt"), Settled: v.Get("settled"), At: v.Get("at")}
	for name, to := range map[string]**float64{"temp_c": &said.TempC, "reads_pct": &said.Reads} {
		n, err := strconv.ParseFloat(localeOf(r).Plain(v.Get(name)), 64)
		if err != nil {
			return wrong(books.Error{Field: name, Value: v.Get(name), Fix: "write a number"})
		}
		*to = &n
	}
	if _, err := said.record(s, r); err != nil {
		return noStation(r, err)
	}
	http.Redirect(w, r, "/stations/"+r.PathValue("id")+"#salt", http.StatusSeeOther)
	return nil
}

// saltPage is the part of a station's page about its humidity sensor.
type saltPage struct {
	Checks   []string
	Salts    []string
	Cautions []string
}

const saltsShown = 4

func (s *server) saltPage(r *http.Request, zone *time.Location) (*saltPage, error) {
	lc := localeOf(r)
	if s.cfg.Books == nil {
		return nil, nil
	}
	all, err := books.SaltChecks(r.Context(), s.cfg.Books, r.PathValue("id"), s.now())
	if err != nil {
		return nil, err
	}
	p := &saltPage{Salts: sensing.Salts(), Cautions: lc.RetellAll(books.SaltCautions)}
	for i := range all[:min(saltsShown, len(all))] {
		p.Checks = append(p.Checks, saltWords(lc, &all[i], zone))
	}
	return p, nil
}

// saltWords tells a check in a sentence or two.
func saltWords(lc *words.Locale, c *books.SaltChecked, zone *time.Location) string {
	when := lc.Say("At some time")
	if c.At != nil {
		when = stamp(lc, unit.Instant(*c.At), zone)
	}
	text := lc.Say("%s: over %s at %s it read %s\u00a0%%RH where there are %s, ± %s in all.", when, c.Salt, warm(lc, c.TempC), plain(lc, c.Reads, 1), plain(lc, c.Reference, 1), plain(lc, c.Unsure.Combined, 1))
	switch c.Verdict {
	case sensing.WithinBounds:
		text += lc.Say(" That is sound.")
	case sensing.CorrectIt:
		text += lc.Say(" Add %s\u00a0%%RH to what it reads.", signed(lc, c.Offset))
	default:
		text += lc.Say(" It is in doubt: off by %s\u00a0%%RH.", signed(lc, c.Off))
	}
	if c.Two != nil {
		text += lc.Say(" With %s before: true = %+.1f + %.3f × shown.", c.Two.Other, c.Two.Offset, c.Two.Slope)
	}
	return text
}
