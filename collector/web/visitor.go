package web

import (
	"context"
	"errors"
	"net/http"
	"net/netip"
	"net/url"
	"strings"
	"time"

	"dewpost/collector/door"
	"dewpost/collector/record"
)

// visitor is whom a request comes from.
type visitor struct {
	Name   string      // author of what the visitor changes; "" for one who is nobody
	Role   record.Role // Public for one who is not signed in
	SignIn bool        // it has a session
	Reads  string      // how it reads pages, of its account
}

type visitorKey struct{}

func withVisitor(r *http.Request, v visitor) *http.Request {
	return r.WithContext(context.WithValue(r.Context(), visitorKey{}, v))
}

// visitorOf returns whom a request comes from, within a route's handler. Its
// name is the author of what the handler changes.
func visitorOf(r *http.Request) visitor {
	if v, ok := r.Context().Value(visitorKey{}).(visitor); ok {
		return v
	}
	return visitor{Role: record.Public}
}

// anybody is the author of what is changed where nobody signs in.
const anybody = "visitor"

// visitor finds out whom a request comes from. A token that is presented must
// be good, and then no cookie counts.
func (s *server) visitor(r *http.Request) (visitor, error) {
	if s.cfg.Everybody != 0 {
		return visitor{Name: anybody, Role: s.cfg.Everybody}, nil
	}
	if presented := r.Header.Values("Authorization"); len(presented) > 0 {
		return s.bearer(r.Context(), presented)
	}
	if secret, ok := cookie(r, sessionCookie); ok {
		session, err := s.cfg.Door.Session(r.Context(), secret)
		if err == nil {
			return visitor{Name: session.Account, Role: session.Role, SignIn: true, Reads: session.Reads}, nil
		}
		if !errors.Is(err, record.ErrNotFound) {
			return visitor{}, err
		}
	}
	if !s.cfg.Local || s.cfg.Proxied || forwarded(r) {
		return visitor{Role: record.Public}, nil
	}
	there, err := s.cfg.Door.HasAccounts(r.Context())
	if there || err != nil {
		return visitor{Role: record.Public}, err
	}
	return visitor{Role: record.Look}, nil
}

// forwarded tells whether a request says that a proxy passed it on. It may come
// from anywhere, so that it comes from this machine lets nobody look.
func forwarded(r *http.Request) bool {
	for _, name := range []string{"Forwarded", "X-Forwarded-For", "X-Forwarded-Host", "Via"} {
		if r.Header.Get(name) != "" {
			return true
		}
	}
	return false
}

// bearer reads a token as RFC 6750 section 2.1 has it.
func (s *server) bearer(ctx context.Context, presented []string) (visitor, error) {
	scheme, secret, _ := strings.Cut(presented[0], " ")
	if len(presented) == 1 && strings.EqualFold(scheme, "Bearer") {
		token, err := s.cfg.Door.Token(ctx, strings.TrimSpace(secret))
		if err == nil {
			return visitor{Name: token.Name + " (token)", Role: token.Role}, nil
		}
		if !errors.Is(err, record.ErrNotFound) {
			return visitor{}, err
		}
	}
	return visitor{}, &problem{
		Status: http.StatusUnauthorized, Title: "The token is not good", Field: "Authorization",
		Fix:       "send Bearer and a token that is neither expired nor revoked; dewpost token add makes one",
		challenge: `Bearer realm="dewpost", error="invalid_token"`,
	}
}

// admit lets a visitor through to a route, or says why not.
func admit(v visitor, role record.Role) error {
	switch {
	case role == record.Public || v.Role >= role:
		return nil
	case v.Role == record.Public:
		return errSignIn
	}
	p := &problem{
		Status: http.StatusForbidden, Title: "Your role does not allow this",
		Field: "role", Value: v.Role.String(), Fix: "ask somebody with role run: this takes role " + role.String(),
		challenge: `Bearer realm="dewpost", error="insufficient_scope"`,
	}
	if v.Name == "" {
		p.Fix = "make the first account at /first: this takes role " + role.String()
	}
	if v.SignIn {
		p.challenge = "" // no token would have been better
	}
	return p
}

// errSignIn says that one who is nobody asks for what somebody may have.
var errSignIn = errors.New("not signed in")

// refuse answers one who is nobody: a person goes to sign in, a program is
// told how.
func (s *server) refuse(w http.ResponseWriter, r *http.Request) {
	if isPage(r.URL.Path) {
		to := "/sign-in"
		if next := r.URL.RequestURI(); r.Method != http.MethodPost && localPath(next) && next != "/" {
			to += "?next=" + url.QueryEscape(next)
		}
		w.Header().Set("Cache-Control", "no-store")
		http.Redirect(w, r, to, http.StatusSeeOther)
		return
	}
	s.fail(w, r, &problem{
		Status: http.StatusUnauthorized, Title: "Who asks is not known", Field: "Authorization",
		Fix:       "send Bearer and a token, which dewpost token add makes, or sign in at /sign-in",
		challenge: `Bearer realm="dewpost"`,
	})
}

// fromHere refuses to change anything for a request that a foreign page may
// have made a browser send. Package http turns away what says that it is
// foreign; browsers since 2020 say where every form comes from (Origin, newer
// ones Sec-Fetch-Site), so one that says nothing is refused here, and forms
// need no tokens of their own. A program with a token of its own is no browser:
// none sends that header across sites without asking first.
func fromHere(r *http.Request) error {
	if r.Header.Get("Sec-Fetch-Site") != "" || r.Header.Get("Origin") != "" || r.Header.Get("Authorization") != "" {
		return nil
	}
	return &problem{
		Status: http.StatusForbidden, Title: "Where this comes from is not said",
		Field: "Origin", Fix: "use a browser that sends Origin, or a token in Authorization",
	}
}

// localPath tells whether next is an address of this server and of no other,
// however a browser reads it.
func localPath(next string) bool {
	if len(next) > 2000 || !strings.HasPrefix(next, "/") || strings.HasPrefix(next, "//") {
		return false
	}
	for _, c := range []byte(next) {
		if c <= ' ' || c >= 0x7f || c == '\\' {
			return false
		}
	}
	u, err := url.Parse(next)
	return err == nil && u.Scheme == "" && u.Host == "" && u.User == nil
}

// Cookies. Lax and not Strict for the session: the link in a message to a
// person must find him signed in, and nothing is changed by GET. The other one
// is only needed by the form for signing in, on a page of ours.
const (
	sessionCookie = "dewpost"
	browserCookie = "dewpost-browser"
	hostOnly      = "__Host-" // RFC 6265bis section 4.1.3.2: Secure, for this host alone, whatever its neighbours set
)

// overTLS tells whether the browser came by TLS: to this server, or to a proxy
// in front of it, as far as the browser says so. With a GET it says nothing of
// where it comes from, but has a session's cookie that it sends by TLS alone.
func overTLS(r *http.Request) bool {
	if origin := r.Header.Get("Origin"); r.TLS != nil || origin != "" {
		return r.TLS != nil || strings.HasPrefix(origin, "https://")
	}
	_, err := r.Cookie(hostOnly + sessionCookie)
	return err == nil
}

func cookie(r *http.Request, name string) (string, bool) {
	if c, err := r.Cookie(hostOnly + name); err == nil {
		return c.Value, true
	}
	if r.TLS != nil {
		return "", false
	}
	c, err := r.Cookie(name)
	if err != nil {
		return "", false
	}
	return c.Value, true
}

// setCookie sets a cookie, or takes it away when value is "".
func setCookie(w http.ResponseWriter, r *http.Request, name, value string, life time.Duration, mode http.SameSite) {
	c := &http.Cookie{Name: name, Value: value, Path: "/", HttpOnly: true, SameSite: mode, MaxAge: int(life.Seconds())}
	if overTLS(r) {
		c.Name, c.Secure = hostOnly+name, true
	}
	if value == "" {
		c.MaxAge = -1
	}
	http.SetCookie(w, c)
}

// enter gives a browser its cookies and shows it the page that it came for. A
// session that it had is over (OWASP ASVS 5.0 7.2.4).
func (s *server) enter(w http.ResponseWriter, r *http.Request, e door.Entry, next string) error {
	if before, ok := cookie(r, sessionCookie); ok {
		if err := s.cfg.Door.SignOut(r.Context(), before); err != nil {
			return err
		}
	}
	setCookie(w, r, sessionCookie, e.Session, door.SessionLife, http.SameSiteLaxMode)
	if e.Browser != "" {
		setCookie(w, r, browserCookie, e.Browser, door.BrowserLife, http.SameSiteStrictMode)
	}
	if !localPath(next) {
		next = "/"
	}
	seeOther(w, r, next)
	return nil
}

func seeOther(w http.ResponseWriter, r *http.Request, path string) {
	w.Header().Set("Cache-Control", "no-store")
	http.Redirect(w, r, path, http.StatusSeeOther)
}

// from is where a sign-in comes from. Behind a proxy, and on this machine,
// where one may be, the address is not the person's. Headers in which proxies
// say more are not believed: anybody can write them.
func (s *server) from(r *http.Request) door.From {
	f := door.From{}
	f.Browser, _ = cookie(r, browserCookie)
	if at, err := netip.ParseAddrPort(r.RemoteAddr); err == nil && !s.cfg.Proxied && !at.Addr().Unmap().IsLoopback() {
		f.Addr = at.Addr().Unmap()
	}
	return f
}
