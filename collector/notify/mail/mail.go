// Package mail brings messages by e-mail, each as plain text and as HTML. What
// is about one occurrence stands in one thread, and a message that is sent once
// more has the id that it had before, so that mail programs can tell.
package mail

import (
	"bytes"
	"context"
	"crypto/tls"
	"embed"
	"fmt"
	"html/template"
	"net"
	stdmail "net/mail"
	"strconv"
	"strings"
	"time"

	gomail "github.com/wneessen/go-mail"

	"dewpost/collector/notify"
	"dewpost/collector/record"
)

// portTLS is where servers speak TLS from the first byte on (RFC 8314).
const portTLS = 465

//go:embed message.html
var files embed.FS

var page = template.Must(template.ParseFS(files, "message.html"))

// Config says how mail leaves.
type Config struct {
	Server   string // host:port; port 465 speaks TLS at once, others after STARTTLS
	From     string // address, with a name or without
	User     string // "" where the server asks for none
	Password string
	TLS      *tls.Config // nil: the system's authorities
	Plain    bool        // send without TLS where the server offers none; on this machine it is never asked for
	Patience time.Duration
}

// Mail is the way by e-mail.
type Mail struct {
	cfg    Config
	host   string
	port   int
	domain string // of From
}

// New checks the config.
func New(cfg Config) (*Mail, error) {
	m := &Mail{cfg: cfg}
	host, port, err := net.SplitHostPort(cfg.Server)
	if err == nil {
		m.host = host
		m.port, err = strconv.Atoi(port)
	}
	if err != nil || host == "" || m.port < 1 || m.port > 65535 {
		return nil, fmt.Errorf("mail.server %q: write host and port, as in smtp.example:587", cfg.Server)
	}
	from, err := stdmail.ParseAddress(cfg.From)
	if err != nil {
		return nil, fmt.Errorf("mail.from %q: write an address, as in dewpost@workshop.example", cfg.From)
	}
	m.domain = from.Address[strings.LastIndexByte(from.Address, '@')+1:]
	return m, nil
}

// Send hands one message to the server. nil means that the server has taken it.
func (m *Mail) Send(ctx context.Context, to record.Channel, p *notify.Parcel) error {
	msg, err := m.write(to, p)
	if err != nil {
		return err
	}
	client, err := gomail.NewClient(m.host, m.options(ctx)...)
	if err != nil {
		return fmt.Errorf("mail: %w", err)
	}
	err = client.DialAndSendWithContext(ctx, msg)
	if err != nil && msg.IsDelivered() {
		return nil // it was taken; only the farewell failed
	}
	if err != nil {
		return fmt.Errorf("mail server %s: %w", m.cfg.Server, err)
	}
	return nil
}

func (m *Mail) options(ctx context.Context) []gomail.Option {
	patience := m.cfg.Patience
	if end, ok := ctx.Deadline(); ok {
		patience = time.Until(end)
	}
	opts := []gomail.Option{gomail.WithPort(m.port), gomail.WithHELO("dewpost." + m.domain), gomail.WithTimeout(max(patience, time.Millisecond)), gomail.WithoutNoop()}
	if m.cfg.TLS != nil {
		opts = append(opts, gomail.WithTLSConfig(m.cfg.TLS.Clone()))
	}
	ip := net.ParseIP(m.host)
	switch {
	case m.port == portTLS:
		opts = append(opts, gomail.WithSSL())
	case m.host == "localhost" || ip != nil && ip.IsLoopback():
		if m.cfg.TLS == nil { // it leaves no machine
			opts = append(opts, gomail.WithTLSPolicy(gomail.NoTLS))
		} else {
			opts = append(opts, gomail.WithTLSPolicy(gomail.TLSMandatory))
		}
	case m.cfg.Plain:
		opts = append(opts, gomail.WithTLSPolicy(gomail.TLSOpportunistic))
	default:
		opts = append(opts, gomail.WithTLSPolicy(gomail.TLSMandatory))
	}
	if m.cfg.User != "" {
		opts = append(opts, gomail.WithUsername(m.cfg.User), gomail.WithPassword(m.cfg.Password), gomail.WithSMTPAuth(gomail.SMTPAuthAutoDiscover))
	}
	return opts
}

// write writes the message. Ids hold no names: they are hashes.
// Source: RFC 5322 3.6.4 (Message-ID, In-Reply-To, References); RFC 3834
// (Auto-Submitted).
func (m *Mail) write(to record.Channel, p *notify.Parcel) (*gomail.Msg, error) {
	msg := gomail.NewMsg()
	if err := msg.From(m.cfg.From); err != nil {
		return nil, fmt.Errorf("mail.from %q: %w", m.cfg.From, err)
	}
	if err := msg.To(to.Address); err != nil {
		return nil, fmt.Errorf("address %q: %w", to.Address, err)
	}
	msg.Subject(p.Text.Subject)
	msg.SetDateWithValue(p.Created.Time())
	msg.SetGenHeader("Auto-Submitted", "auto-generated")
	thread := p.ID(p.Thread) + "@" + m.domain
	if p.Opens {
		msg.SetMessageIDWithValue(thread)
	} else {
		msg.SetMessageIDWithValue(p.ID(p.Event) + "@" + m.domain)
		msg.SetGenHeader(gomail.HeaderInReplyTo, "<"+thread+">")
		msg.SetGenHeader(gomail.HeaderReferences, "<"+thread+">")
	}
	if p.Urgent {
		msg.SetImportance(gomail.ImportanceHigh)
	}
	var html bytes.Buffer
	if err := page.Execute(&html, p.Text); err != nil {
		return nil, fmt.Errorf("write a message: %w", err)
	}
	msg.SetBodyString(gomail.TypeTextPlain, p.Text.Plain())
	msg.AddAlternativeString(gomail.TypeTextHTML, html.String())
	return msg, nil
}
