package web

import (
	"errors"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"dewpost/collector/door"
	"dewpost/collector/record"
	"dewpost/collector/words"
	"dewpost/rules/unit"
)

type choicePage struct {
	Value, Text string
	Chosen      bool
}

type personPage struct {
	ID, Name, May string
	You           bool
	Seen          moment // newest sign-in
	Roles         []choicePage
	Password      fieldPage
	Open          bool // its forms are
	Wrong         string
}

type tokenPage struct {
	ID, Name, May  string
	By             string
	Expires, Used  moment
	Expired, Never bool
}

type peoplePage struct {
	sheet
	People []personPage
	Tokens []tokenPage

	Fields                []fieldPage // to add an account
	Roles                 []choicePage
	TokenFields           []fieldPage
	TokenRoles            []choicePage
	Fresh, FreshName      string // token just made
	AccountOpen, TokenNew bool   // forms with something wrong in them
}

// peopleForm is what a form on the page said and what the door answered.
type peopleForm struct {
	what   string // "account", "token", or a change of an account
	values url.Values
	err    *door.Refused
	wrong  string
	fresh  string // token just made
}

func (s *server) people(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	return s.showPeople(w, r, http.StatusOK, peopleForm{values: url.Values{}})
}

func (s *server) showPeople(w http.ResponseWriter, r *http.Request, status int, f peopleForm) error {
	lc := localeOf(r)
	accounts, err := s.cfg.Door.Accounts(r.Context())
	if err != nil {
		return err
	}
	tokens, err := s.cfg.Door.Tokens(r.Context())
	if err != nil {
		return err
	}
	zone, err := s.zone(r.Context())
	if err != nil {
		return err
	}
	p := &peoplePage{Fresh: f.fresh, FreshName: f.values.Get("name")}
	for i := range accounts {
		p.People = append(p.People, personOf(lc, &accounts[i], i, visitorOf(r), zone, f))
	}
	now := s.cfg.Door.Now()
	for i := range tokens {
		p.Tokens = append(p.Tokens, tokenOf(lc, &tokens[i], i, now, zone))
	}
	p.forms(lc, f)
	return s.page(w, r, status, "people.html", p)
}

func personOf(lc *words.Locale, a *record.Account, i int, v visitor, zone *time.Location, f peopleForm) personPage {
	id := "person-" + strconv.Itoa(i)
	p := personPage{
		ID: id, Name: a.Name, May: lc.Say(roleNames[a.Role]), You: v.SignIn && v.Name == a.Name,
		Seen: moment{Text: lc.Say("never")}, Roles: roleChoices(lc, a.Role), Password: newPasswordField(lc),
	}
	p.Password.ID, p.Password.Label = id+"-password", lc.Say("New password")
	if a.LastIn != 0 {
		p.Seen = moment{stamp(lc, a.LastIn, zone), utc(a.LastIn)}
	}
	if f.what == "change" && record.NameKey(f.values.Get("name")) == record.NameKey(a.Name) {
		p.Open, p.Wrong = true, f.wrong
		if f.err != nil {
			p.Password.Error = capital(lc.Say(f.err.Fix)) + "."
		}
	}
	return p
}

func tokenOf(lc *words.Locale, k *record.Token, i int, now unit.Instant, zone *time.Location) tokenPage {
	t := tokenPage{
		ID: "token-" + strconv.Itoa(i), Name: k.Name, May: lc.Say(roleNames[k.Role]), By: k.Author,
		Expires: moment{stamp(lc, k.Expires, zone), utc(k.Expires)}, Expired: k.Expires <= now, Never: k.Used == 0,
	}
	if !t.Never {
		t.Used = moment{stamp(lc, k.Used, zone), utc(k.Used)}
	}
	return t
}

func roleChoices(lc *words.Locale, chosen record.Role) []choicePage {
	var all []choicePage
	for role := record.Look; role <= record.Run; role++ {
		all = append(all, choicePage{role.String(), lc.Say(roleNames[role]) + " (" + role.String() + ")", role == chosen})
	}
	return all
}

// forms fills the two forms that add something; the one that was sent keeps
// what was written, but for passwords.
func (p *peoplePage) forms(lc *words.Locale, f peopleForm) {
	account, token := url.Values{}, url.Values{}
	var refused, refusedToken *door.Refused
	switch {
	case f.err != nil && f.what == "account":
		account, refused, p.AccountOpen = f.values, f.err, true
	case f.err != nil && f.what == "token":
		token, refusedToken, p.TokenNew = f.values, f.err, true
	}
	name, password := nameField(lc, account.Get("name")), newPasswordField(lc)
	name.ID, password.ID = "add-name", "add-password"
	p.Fields = withError(lc, []fieldPage{name, password}, refused)
	days := token.Get("days")
	if days == "" {
		days = strconv.Itoa(int(door.TokenLife / (24 * time.Hour)))
	}
	name = nameField(lc, token.Get("name"))
	name.ID, name.Auto, name.Hint = "token-name", "off", lc.Say("Which program it is for.")
	p.TokenFields = withError(lc, []fieldPage{name, {ID: "token-days", Name: "days", Label: lc.Say("Days until it expires"), Type: "number", Value: days, Auto: "off"}}, refusedToken)
	p.Roles, p.TokenRoles = roleChoices(lc, roleIn(account)), roleChoices(lc, roleIn(token))
}

func roleIn(v url.Values) record.Role {
	if role, err := record.ParseRole(v.Get("role")); err == nil {
		return role
	}
	return record.Look
}

func withError(lc *words.Locale, fields []fieldPage, refused *door.Refused) []fieldPage {
	for i := range fields {
		if refused != nil && fields[i].Name == refused.Field {
			fields[i].Error = capital(lc.Say(refused.Fix)) + "."
		}
	}
	return fields
}

// change runs what a form on the page asks for, and shows the page again: anew
// when it is done, or with what is wrong.
func (s *server) change(w http.ResponseWriter, r *http.Request, what string, f url.Values, err error) error {
	lc := localeOf(r)
	var refused *door.Refused
	switch {
	case err == nil:
		seeOther(w, r, "/people")
		return nil
	case errors.As(err, &refused):
		return s.showPeople(w, r, http.StatusUnprocessableEntity, peopleForm{what: what, values: f, err: refused})
	case errors.Is(err, record.ErrLastRun):
		return s.showPeople(w, r, http.StatusConflict, peopleForm{
			what: what, values: f,
			wrong: lc.Say("Give somebody else the role run first: nobody could make accounts any more."),
		})
	case errors.Is(err, record.ErrNotFound):
		return &problem{
			Status: http.StatusNotFound, Title: "There is nobody and nothing of that name",
			Field: "name", Value: f.Get("name"), Fix: "load the page People again",
		}
	case errors.Is(err, door.ErrBusy):
		w.Header().Set("Retry-After", "2")
		return &problem{Status: http.StatusServiceUnavailable, Title: "Too many people sign in at this moment", Fix: "try again"}
	}
	return err
}

func roleOf(f url.Values) (record.Role, error) {
	role, err := record.ParseRole(f.Get("role"))
	if err != nil {
		return 0, &problem{Status: http.StatusBadRequest, Title: "A field is wrong", Field: "role", Value: f.Get("role"), Fix: "use look, work or run"}
	}
	return role, nil
}

// sure refuses a removal that wasn't confirmed.
func sure(f url.Values) error {
	if f.Get("sure") == "yes" {
		return nil
	}
	return &problem{Status: http.StatusUnprocessableEntity, Title: "Nothing was removed", Field: "sure", Fix: "tick the box beside the button, then press it again"}
}

func (s *server) addPerson(w http.ResponseWriter, r *http.Request) error {
	f, err := form(w, r, "name", "password", "role")
	if err != nil {
		return err
	}
	role, err := roleOf(f)
	if err != nil {
		return err
	}
	err = s.cfg.Door.AddAccount(r.Context(), f.Get("name"), role, f.Get("password"), visitorOf(r).Name)
	return s.change(w, r, "account", f, err)
}

func (s *server) setRole(w http.ResponseWriter, r *http.Request) error {
	f, err := form(w, r, "name", "role")
	if err != nil {
		return err
	}
	role, err := roleOf(f)
	if err != nil {
		return err
	}
	return s.change(w, r, "change", f, s.cfg.Door.SetRole(r.Context(), f.Get("name"), role, visitorOf(r).Name))
}

func (s *server) setPassword(w http.ResponseWriter, r *http.Request) error {
	f, err := form(w, r, "name", "password")
	if err != nil {
		return err
	}
	return s.change(w, r, "change", f, s.cfg.Door.SetPassword(r.Context(), f.Get("name"), f.Get("password"), visitorOf(r).Name))
}

func (s *server) removePerson(w http.ResponseWriter, r *http.Request) error {
	f, err := form(w, r, "name", "sure")
	if err != nil {
		return err
	}
	if err := sure(f); err != nil {
		return err
	}
	return s.change(w, r, "change", f, s.cfg.Door.RemoveAccount(r.Context(), f.Get("name"), visitorOf(r).Name))
}

// addToken shows the new token once, in the answer itself.
func (s *server) addToken(w http.ResponseWriter, r *http.Request) error {
	f, err := form(w, r, "name", "role", "days")
	if err != nil {
		return err
	}
	role, err := roleOf(f)
	if err != nil {
		return err
	}
	days, err := strconv.ParseUint(f.Get("days"), 10, 16)
	if most := uint64(door.TokenLifeMost / (24 * time.Hour)); err != nil || days < 1 || days > most {
		return s.change(w, r, "token", f, &door.Refused{Field: "days", Fix: "write a whole number from 1 to " + strconv.FormatUint(most, 10)})
	}
	fresh, err := s.cfg.Door.AddToken(r.Context(), f.Get("name"), role, time.Duration(days)*24*time.Hour, visitorOf(r).Name)
	if err != nil {
		return s.change(w, r, "token", f, err)
	}
	return s.showPeople(w, r, http.StatusOK, peopleForm{values: f, fresh: fresh})
}

func (s *server) revokeToken(w http.ResponseWriter, r *http.Request) error {
	f, err := form(w, r, "name", "sure")
	if err != nil {
		return err
	}
	if err := sure(f); err != nil {
		return err
	}
	return s.change(w, r, "revoke", f, s.cfg.Door.RemoveToken(r.Context(), f.Get("name"), visitorOf(r).Name))
}
