package mail_test

import (
	"bufio"
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io"
	"math/big"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"net"
	stdmail "net/mail"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dewpost/collector/notify"
	"dewpost/collector/notify/mail"
	"dewpost/collector/record"
	"dewpost/rules/unit"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// office is a mail server that takes what it is told to.
type office struct {
	mu       sync.Mutex
	refuse   error // of the recipient
	password string
	got      [][]byte
	from, to string
}

func (o *office) NewSession(*smtp.Conn) (smtp.Session, error) { return &session{o: o}, nil }

type session struct {
	o    *office
	auth bool
}

func (s *session) AuthMechanisms() []string { return []string{sasl.Plain} }

func (s *session) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, password string) error {
		if user != "user" || password != s.o.password {
			return errors.New("wrong password")
		}
		s.auth = true
		return nil
	}), nil
}

func (s *session) Mail(from string, _ *smtp.MailOptions) error {
	if s.o.password != "" && !s.auth {
		return smtp.ErrAuthRequired
	}
	s.o.mu.Lock()
	defer s.o.mu.Unlock()
	s.o.from = from
	return nil
}

func (s *session) Rcpt(to string, _ *smtp.RcptOptions) error {
	s.o.mu.Lock()
	defer s.o.mu.Unlock()
	s.o.to = to
	return s.o.refuse
}

func (s *session) Data(r io.Reader) error {
	text, err := io.ReadAll(r)
	s.o.mu.Lock()
	defer s.o.mu.Unlock()
	s.o.got = append(s.o.got, text)
	return err
}

func (s *session) Reset()        {}
func (s *session) Logout() error { return nil }

// serve starts a mail server, with STARTTLS where secure has a certificate, or
// with TLS at once.
func serve(t *testing.T, o *office, secure *tls.Config, atOnce bool) string {
	t.Helper()
	s := smtp.NewServer(o)
	s.Domain, s.TLSConfig, s.AllowInsecureAuth = "mail.example", secure, secure == nil
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	addr := l.Addr().String()
	if atOnce {
		l = tls.NewListener(l, secure)
	}
	done := make(chan error, 1)
	go func() { done <- s.Serve(l) }()
	t.Cleanup(func() {
		require.NoError(t, s.Close())
		<-done
	})
	return addr
}

// certificate makes one for 127.0.0.1, and who trusts it.
func certificate(t *testing.T) (server, client *tls.Config) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	c := &x509.Certificate{SerialNumber: big.NewInt(1), NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &key.PublicKey, key)
	require.NoError(t, err)
	parsed, err := x509.ParseCertificate(der)
	require.NoError(t, err)
	pool := x509.NewCertPool()
	pool.AddCert(parsed)
	return &tls.Config{MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}},
		&tls.Config{MinVersion: tls.VersionTLS12, RootCAs: pool, ServerName: "127.0.0.1"}
}

func parcel(event, thread string) *notify.Parcel {
	return &notify.Parcel{
		Event: event, Thread: thread, Opens: event == thread, Person: "Ida", Urgent: true, Created: unit.At(time.Date(2025, 11, 5, 7, 0, 0, 0, time.UTC)),
		Text: notify.Text{Subject: "Water inside: Hütte 7", Parts: []notify.Part{{Title: "Über", Lines: []string{"a < b & \"c\""}}}, Links: []notify.Label{{Says: "Seen", URL: "https://watch.example/seen/x?a=1&b=2"}}},
	}
}

func send(t *testing.T, cfg mail.Config, p *notify.Parcel) error {
	t.Helper()
	m, err := mail.New(cfg)
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
	defer cancel()
	return m.Send(ctx, record.Channel{Kind: record.Mail, Address: "ida@workshop.example"}, p)
}

// A message has both forms, says what made it, and stands in one thread with
// others of the occurrence, under the same id each time it is sent.
func TestMessage(t *testing.T) {
	o := &office{}
	cfg := mail.Config{Server: serve(t, o, nil, false), From: "Otter Lane <dewpost@otter-lane.example>"}
	for _, p := range []*notify.Parcel{parcel("lake-07:wet:1", "lake-07:wet:1"), parcel("lake-07:wet:1", "lake-07:wet:1"), parcel("lake-07:wet:1:again", "lake-07:wet:1")} {
		require.NoError(t, send(t, cfg, p))
	}
	require.Len(t, o.got, 3)
	require.Equal(t, [2]string{"dewpost@otter-lane.example", "ida@workshop.example"}, [2]string{o.from, o.to})
	var ids []string
	for i, text := range o.got {
		m, err := stdmail.ReadMessage(bytes.NewReader(text))
		require.NoError(t, err)
		ids = append(ids, m.Header.Get("Message-ID"))
		subject, err := new(mime.WordDecoder).DecodeHeader(m.Header.Get("Subject"))
		require.NoError(t, err)
		require.Equal(t, "Water inside: Hütte 7", subject)
		require.Equal(t, "auto-generated", m.Header.Get("Auto-Submitted"))
		if i < 2 {
			require.Empty(t, m.Header.Get("In-Reply-To"))
		} else {
			require.Equal(t, ids[0], m.Header.Get("In-Reply-To"))
			require.Equal(t, ids[0], m.Header.Get("References"))
		}
		kind, params, err := mime.ParseMediaType(m.Header.Get("Content-Type"))
		require.NoError(t, err)
		require.Equal(t, "multipart/alternative", kind)
		parts := multipart.NewReader(m.Body, params["boundary"])
		var bodies []string
		for {
			part, err := parts.NextRawPart()
			if errors.Is(err, io.EOF) {
				break
			}
			require.NoError(t, err)
			body, err := io.ReadAll(quotedprintable.NewReader(part))
			require.NoError(t, err)
			bodies = append(bodies, part.Header.Get("Content-Type")+"\n"+strings.ReplaceAll(string(body), "\r\n", "\n"))
		}
		require.Len(t, bodies, 2)
		require.Equal(t, "text/plain; charset=UTF-8\nÜber\na < b & \"c\"\n\nSeen:\nhttps://watch.example/seen/x?a=1&b=2\n", bodies[0])
		require.Contains(t, bodies[1], "text/html; charset=UTF-8\n<!DOCTYPE html>")
		require.Contains(t, bodies[1], "a &lt; b &amp; &#34;c&#34;")
		require.Contains(t, bodies[1], `href="https://watch.example/seen/x?a=1&amp;b=2"`)
	}
	require.Equal(t, ids[0], ids[1])
	require.NotEqual(t, ids[0], ids[2])
	require.Regexp(t, `^<[0-9a-f]{24}@otter-lane\.example>$`, ids[0])
}

// TLS is a must where the server's authorities are named, and its certificate is
// checked; passwords are told to nobody else.
func TestTLS(t *testing.T) {
	server, client := certificate(t)
	o := &office{password: "secret"}
	at := serve(t, o, server, false)
	cfg := mail.Config{Server: at, From: "dewpost@otter-lane.example", User: "user", Password: "secret", TLS: client}
	require.NoError(t, send(t, cfg, parcel("a", "a")))
	require.Len(t, o.got, 1)

	wrong := cfg
	wrong.Password = "wrong"
	require.Error(t, send(t, wrong, parcel("a", "a")))

	_, stranger := certificate(t)
	foreign := cfg
	foreign.TLS = stranger
	err := send(t, foreign, parcel("a", "a"))
	require.ErrorContains(t, err, "certificate")

	bare := cfg
	bare.Server = serve(t, &office{}, nil, false)
	require.ErrorContains(t, send(t, bare, parcel("a", "a")), "STARTTLS")
	require.Len(t, o.got, 1)
}

// What a server refuses, says late or not at all is an error; what it took is
// none, whatever comes after.
func TestRefusedAndLost(t *testing.T) {
	o := &office{refuse: &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 1, 1}, Message: "no such box"}}
	cfg := mail.Config{Server: serve(t, o, nil, false), From: "dewpost@otter-lane.example"}
	require.ErrorContains(t, send(t, cfg, parcel("a", "a")), "no such box")
	o.mu.Lock()
	o.refuse = nil
	o.mu.Unlock()
	require.NoError(t, send(t, cfg, parcel("a", "a")))

	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	cfg.Server = l.Addr().String()
	m, err := mail.New(cfg)
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	began := time.Now()
	require.Error(t, m.Send(ctx, record.Channel{Address: "ida@workshop.example"}, parcel("a", "a")), "it hangs")
	require.Less(t, time.Since(began), 5*time.Second)
	require.NoError(t, l.Close())
	require.Error(t, send(t, cfg, parcel("a", "a")), "nobody listens")

	require.Error(t, send(t, mail.Config{Server: scripted(t, false), From: cfg.From}, parcel("a", "a")), "the reply was lost")
	require.NoError(t, send(t, mail.Config{Server: scripted(t, true), From: cfg.From}, parcel("a", "a")), "only the farewell was lost")
	m, err = mail.New(cfg)
	require.NoError(t, err)
	require.ErrorContains(t, m.Send(t.Context(), record.Channel{Address: "nobody"}, parcel("a", "a")), `address "nobody"`)
}

// scripted is a server that goes away after it took a message: before it says so,
// or after.
func scripted(t *testing.T, says bool) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	done := make(chan struct{})
	t.Cleanup(func() {
		require.NoError(t, l.Close())
		<-done
	})
	go func() {
		defer close(done)
		conn, err := l.Accept()
		if err != nil {
			return
		}
		defer conn.Close() //nolint:errcheck // a test's
		r := bufio.NewReader(conn)
		say := func(line string) { _, _ = io.WriteString(conn, line+"\r\n") }
		say("220 mail.example")
		data := false
		for {
			line, err := r.ReadString('\n')
			switch {
			case err != nil:
				return
			case data && line == ".\r\n":
				if says {
					say("250 taken")
				}
				return
			case data:
			case strings.HasPrefix(line, "DATA"):
				data = true
				say("354 go on")
			default:
				say("250 fine")
			}
		}
	}()
	return l.Addr().String()
}

func TestConfig(t *testing.T) {
	for _, c := range [][3]string{
		{"smtp.example", "a@b.example", "mail.server"},
		{":25", "a@b.example", "mail.server"},
		{"x:0", "a@b.example", "mail.server"},
		{"x:y", "a@b.example", "mail.server"},
		{"smtp.example:25", "nobody", "mail.from"},
	} {
		_, err := mail.New(mail.Config{Server: c[0], From: c[1]})
		require.ErrorContains(t, err, c[2])
	}
}
