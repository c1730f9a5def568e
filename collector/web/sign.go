package web

import (
	"errors"
	"net/http"
	"strconv"
	"time"

	"dewpost/collector/door"
	"dewpost/collector/record"
	"dewpost/collector/words"
)

type signPage struct {
	sheet
	Title, Lead string
	File        string // that holds the code for the first account
	Next        string
	Wrong       string // what is wrong with the whole
	Fields      []fieldPage
	Button      string
	Help        string
}

// withDoor is for what only makes sense where people sign in.
func (s *server) withDoor(handle func(http.ResponseWriter, *http.Request) error) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		if s.cfg.Everybody != 0 {
			return &problem{
				Status: http.StatusNotFound, Title: "Nobody signs in here",
				Field: "path", Value: r.URL.Path, Fix: "begin at /",
			}
		}
		w.Header().Set("Cache-Control", "no-store")
		return handle(w, r)
	}
}

func nameField(lc *words.Locale, name string) fieldPage {
	return fieldPage{ID: "name", Name: "name", Label: lc.Say("Name"), Type: "text", Auto: "username", Value: name}
}

func passwordField(lc *words.Locale) fieldPage {
	return fieldPage{ID: "password", Name: "password", Label: lc.Say("Password"), Type: "password", Auto: "current-password"}
}

func newPasswordField(lc *words.Locale) fieldPage {
	f := passwordField(lc)
	f.Auto, f.Hint = "new-password", lc.Say("At least 10 characters; a few words are good.")
	return f
}

func signInPage(lc *words.Locale, name, next string) *signPage {
	return &signPage{
		Title: lc.Say("Sign in"), Next: next, Button: lc.Say("Sign in"),
		Fields: []fieldPage{nameField(lc, name), passwordField(lc)},
		Help:   lc.Say("Forgotten? Whoever may do everything here sets another password on the page People."),
	}
}

func (s *server) signIn(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	q := ask(r, "next")
	if q.err != nil {
		return q.err
	}
	next := q.values.Get("next")
	if visitorOf(r).SignIn {
		if !localPath(next) {
			next = "/"
		}
		seeOther(w, r, next)
		return nil
	}
	there, err := s.cfg.Door.HasAccounts(r.Context())
	if err != nil {
		return err
	}
	if !there {
		seeOther(w, r, "/first")
		return nil
	}
	return s.page(w, r, http.StatusOK, "sign.html", signInPage(lc, "", next))
}

func (s *server) doSignIn(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	f, err := form(w, r, "name", "password", "next")
	if err != nil {
		return err
	}
	entry, err := s.cfg.Door.SignIn(r.Context(), s.from(r), f.Get("name"), f.Get("password"))
	if err == nil {
		return s.enter(w, r, entry, f.Get("next"))
	}
	p := signInPage(lc, f.Get("name"), f.Get("next"))
	status, err := p.say(lc, w, err, lc.Say("Name or password is wrong. Try again."))
	if err != nil {
		return err
	}
	return s.page(w, r, status, "sign.html", p)
}

// say puts what the door said beside the field that it is about, or above the
// form, and returns the answer's status; or an error that is no fault of what
// was filled in.
func (p *signPage) say(lc *words.Locale, w http.ResponseWriter, err error, wrong string) (int, error) {
	var refused *door.Refused
	var wait *door.WaitError
	switch {
	case errors.As(err, &refused):
		for i := range p.Fields {
			if p.Fields[i].Name == refused.Field {
				p.Fields[i].Error = capital(lc.Say(refused.Fix)) + "."
			}
		}
		return http.StatusUnprocessableEntity, nil
	case errors.As(err, &wait):
		p.Wrong = lc.Say("Too many attempts failed. Wait %s, then try again.", waitWords(lc, wait.For))
		w.Header().Set("Retry-After", strconv.Itoa(waitSeconds(wait.For)))
		return http.StatusTooManyRequests, nil
	case errors.Is(err, door.ErrBusy):
		p.Wrong = lc.Say("Too many people sign in at this moment. Wait a little, then try again.")
		w.Header().Set("Retry-After", "2")
		return http.StatusServiceUnavailable, nil
	case errors.Is(err, door.ErrWrong):
		p.Wrong = wrong
		w.Header().Set("WWW-Authenticate", `Bearer realm="dewpost"`) // RFC 9110 section 15.5.2
		return http.StatusUnauthorized, nil
	}
	return 0, err
}

func waitSeconds(d time.Duration) int { return int((d + time.Second - 1) / time.Second) }

func waitWords(lc *words.Locale, d time.Duration) string {
	switch n := waitSeconds(d); {
	case n == 1:
		return lc.Say("a second")
	case n < 120:
		return lc.Say("%s seconds", strconv.Itoa(n))
	default:
		return lc.Say("%s minutes", strconv.Itoa((n+59)/60))
	}
}

func (s *server) signOut(w http.ResponseWriter, r *http.Request) error {
	if _, err := form(w, r); err != nil {
		return err
	}
	if secret, ok := cookie(r, sessionCookie); ok {
		if err := s.cfg.Door.SignOut(r.Context(), secret); err != nil {
			return err
		}
	}
	setCookie(w, r, sessionCookie, "", 0, http.SameSiteLaxMode)
	seeOther(w, r, "/sign-in")
	return nil
}

func (s *server) firstPage(lc *words.Locale, code, name string) *signPage {
	return &signPage{
		Title: lc.Say("The first account"), File: s.cfg.Door.FirstFile(), Button: lc.Say("Make the account"),
		Lead: lc.Say("It may do everything here, and make accounts for others."),
		Fields: []fieldPage{
			{
				ID: "code", Name: "code", Label: lc.Say("Code"), Type: "text", Value: code, Auto: "one-time-code",
				Hint: lc.Say("It stands in a file that only the machine’s owner can read."),
			},
			nameField(lc, name), newPasswordField(lc),
		},
	}
}

// first is where the first account is made. Afterwards it leads to signing in.
func (s *server) first(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	if q := ask(r); q.err != nil {
		return q.err
	}
	there, err := s.cfg.Door.HasAccounts(r.Context())
	if err != nil {
		return err
	}
	if there {
		seeOther(w, r, "/sign-in")
		return nil
	}
	return s.page(w, r, http.StatusOK, "sign.html", s.firstPage(lc, "", ""))
}

func (s *server) doFirst(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	f, err := form(w, r, "code", "name", "password")
	if err != nil {
		return err
	}
	entry, err := s.cfg.Door.First(r.Context(), s.from(r), f.Get("code"), f.Get("name"), f.Get("password"))
	if err == nil {
		return s.enter(w, r, entry, "/")
	}
	there, err2 := s.cfg.Door.HasAccounts(r.Context())
	if there || err2 != nil {
		seeOther(w, r, "/sign-in")
		return err2
	}
	p := s.firstPage(lc, f.Get("code"), f.Get("name"))
	status, err := p.say(lc, w, err, lc.Say("The code is wrong. Read it from the file anew: each start of the collector makes another."))
	if err != nil {
		return err
	}
	return s.page(w, r, status, "sign.html", p)
}

func passwordPage(lc *words.Locale, name string) *signPage {
	present := passwordField(lc)
	present.ID, present.Name, present.Label = "present", "present", lc.Say("Present password")
	fresh := newPasswordField(lc)
	fresh.Label = lc.Say("New password")
	return &signPage{
		Title: lc.Say("Your password"), Button: lc.Say("Change it"), Fields: []fieldPage{present, fresh},
		Lead: lc.Say("%s, other browsers in which you are signed in must sign in again afterwards.", name),
	}
}

// errNoAccount is for a token that asks for what a person has.
var errNoAccount = &problem{
	Status: http.StatusForbidden, Title: "A token has no password",
	Field: "Authorization", Fix: "sign in at /sign-in",
}

func (s *server) password(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	if q := ask(r); q.err != nil {
		return q.err
	}
	v := visitorOf(r)
	if !v.SignIn {
		return errNoAccount
	}
	return s.page(w, r, http.StatusOK, "sign.html", passwordPage(lc, v.Name))
}

func (s *server) doPassword(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	v := visitorOf(r)
	if !v.SignIn {
		return errNoAccount
	}
	f, err := form(w, r, "present", "password")
	if err != nil {
		return err
	}
	entry, err := s.cfg.Door.ChangePassword(r.Context(), s.from(r), v.Name, f.Get("present"), f.Get("password"))
	if err == nil {
		return s.enter(w, r, entry, "/")
	}
	p := passwordPage(lc, v.Name)
	status, err := p.say(lc, w, err, lc.Say("The present password is wrong. Try again."))
	if err != nil {
		return err
	}
	return s.page(w, r, status, "sign.html", p)
}

// roleNames say what a role may do.
var roleNames = map[record.Role]string{
	record.Look: "may look",
	record.Work: "may look, and record work",
	record.Run:  "may do everything",
}
