package web

import (
	"net/http"
	"slices"
	"strings"
)

// settingsPage asks how the person reads.
type settingsPage struct {
	sheet
	Fields []controlPage
	Kept   string // where it is kept
	Said   string // after a change
	Shows  []string
}

// readsSays name the choices, by field and value; "" is what holds without one.
var readsNames = map[string]string{
	"language": "Language", "language ": "as the browser asks", "language en": "English", "language de": "Deutsch",
	"degrees": "Temperatures", "degrees ": "°C", "degrees f": "°F",
	"numbers": "Decimals", "numbers ": "as the language has it", "numbers point": "behind a point: 12.5", "numbers comma": "behind a comma: 12,5",
	"theme": "Paper", "theme ": "as the device has it", "theme light": "light", "theme dark": "dark",
}

func (s *server) settings(w http.ResponseWriter, r *http.Request) error {
	q := ask(r, "done")
	done := q.choice("done", "", []string{"yes"})
	if q.err != nil {
		return q.err
	}
	lc, in := localeOf(r), readsOf(r)
	p := &settingsPage{Kept: lc.Say("It is kept in this browser.")}
	if visitorOf(r).SignIn {
		p.Kept = lc.Say("It is kept with your account, for all your browsers.")
	}
	if done != "" {
		p.Said = lc.Say("Kept.")
	}
	for _, f := range readsFields {
		c := control(f.name, lc.Say(readsNames[f.name]), "select")
		c.ID = "reads-" + f.name
		for _, value := range append([]string{""}, f.choices...) {
			if text, ok := readsNames[f.name+" "+value]; ok {
				c.Options = append(c.Options, choicePage{value, lc.Say(text), *f.of(&in) == value})
			}
		}
		p.Fields = append(p.Fields, c)
	}
	p.Shows = []string{warm(lc, 12.5), warmer(lc, 3), hoursRange(lc, int64(3.2*3.6e12), int64(1.1*3.6e12), int64(5*3.6e12))}
	return s.page(w, r, http.StatusOK, "settings.html", p)
}

func (s *server) keepReads(w http.ResponseWriter, r *http.Request) error {
	f, err := form(w, r, "language", "degrees", "numbers", "theme")
	if err != nil {
		return err
	}
	var in reads
	for _, field := range readsFields {
		value := f.Get(field.name)
		if value != "" && !slices.Contains(field.choices, value) {
			return &problem{Status: http.StatusBadRequest, Title: "A field is wrong", Field: field.name, Value: value, Fix: "use one of " + strings.Join(field.choices, ", ") + ", or leave it empty"}
		}
		*field.of(&in) = value
	}
	if v := visitorOf(r); v.SignIn {
		if err := s.cfg.Door.SetReads(r.Context(), v.Name, in.String()); err != nil {
			return err
		}
	} else {
		setCookie(w, r, readsCookie, in.String(), readsLife, http.SameSiteLaxMode)
	}
	seeOther(w, r, "/settings?done=yes")
	return nil
}
