package delivery

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/mail"
	"net/url"
	"os"
	"strconv"
	"strings"
	"time"

	gomail "github.com/wneessen/go-mail"
)

// MailConfig says how mail is sent, and to whom. Without a Server none is.
type MailConfig struct {
	Server     string      `koanf:"server"` // host:port of a mail server that takes our mail
	TLS        string      `koanf:"tls"`    // starttls, tls (from the first byte), or none
	User       string      `koanf:"user"`   // "" = without signing in
	Password   string      `koanf:"password"`
	CA         string      `koanf:"ca"`         // PEM file of an authority of your own; "" = those of the system
	From       string      `koanf:"from"`       // such as marginline <alerts@fleet.example>
	Pages      string      `koanf:"-"`          // address of the pages, for links; "" = no links
	Recipients []Recipient `koanf:"recipients"` // read from the file only
}

// A Mailer sends mail over one server. It keeps no connection: mail is rare.
type Mailer struct {
	cfg   MailConfig
	host  string
	port  int
	from  *mail.Address
	trust *x509.CertPool // nil = the system's
	boxes []*Mailbox
}

// NewMailer checks the settings; every fault is in the error. It returns nil where no server is set.
func NewMailer(cfg MailConfig) (*Mailer, error) {
	if cfg.Server == "" {
		if len(cfg.Recipients) > 0 {
			return nil, errors.New("recipients without a server")
		}
		return nil, nil
	}
	m := &Mailer{cfg: cfg}
	var errs []error
	host, port, err := net.SplitHostPort(cfg.Server)
	if m.port, _ = strconv.Atoi(port); err != nil || host == "" || m.port < 1 || m.port > 65535 {
		errs = append(errs, fmt.Errorf("server %q is not host:port", cfg.Server))
	}
	m.host = host
	switch cfg.TLS {
	case "starttls", "tls":
	case "none":
		if ip := net.ParseIP(host); cfg.Password != "" && host != "localhost" && (ip == nil || !ip.IsLoopback()) {
			errs = append(errs, errors.New("tls none would send the password in the clear: choose starttls or tls"))
		}
	default:
		errs = append(errs, fmt.Errorf("tls %q: want starttls, tls or none", cfg.TLS))
	}
	if m.from, err = mail.ParseAddress(cfg.From); err != nil {
		errs = append(errs, fmt.Errorf("from %q is no mail address such as marginline <alerts@fleet.example>", cfg.From))
	}
	if cfg.CA != "" {
		pem, err := os.ReadFile(cfg.CA)
		m.trust = x509.NewCertPool()
		if err != nil {
			errs = append(errs, fmt.Errorf("ca: %w", err))
		} else if !m.trust.AppendCertsFromPEM(pem) {
			errs = append(errs, fmt.Errorf("ca: %s holds no certificate (PEM)", cfg.CA))
		}
	}
	if u, err := url.Parse(cfg.Pages); cfg.Pages != "" && (err != nil || u.Host == "" || u.Scheme != "https" && u.Scheme != "http") {
		errs = append(errs, fmt.Errorf("pages %q is no http or https address", cfg.Pages))
	}
	seen := map[string]bool{}
	for i := range cfg.Recipients {
		r := &cfg.Recipients[i]
		if err := r.Validate(); err != nil {
			errs = append(errs, fmt.Errorf("recipient %d: %w", i+1, err))
			continue
		}
		a, _ := r.address()
		name := WayMail + " " + a.Address
		for n := 2; seen[name]; n++ { // one address for several depots
			name = fmt.Sprintf("%s %s, %d", WayMail, a.Address, n)
		}
		seen[name] = true
		m.boxes = append(m.boxes, &Mailbox{Recipient: *r, Name: name})
	}
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	return m, nil
}

// Boxes are the recipients, going by what p knows. Call it before the mailer is used.
func (m *Mailer) Boxes(p Places) []*Mailbox {
	if m == nil {
		return nil
	}
	for _, b := range m.boxes {
		b.places = p
	}
	return m.boxes
}

// Target is a recipient as a receiver.
func (m *Mailer) Target(b *Mailbox) Target {
	how := map[string]string{"starttls": "STARTTLS", "tls": "TLS", "none": "not encrypted"}[m.cfg.TLS]
	return Target{Name: b.Name, Way: WayMail, Where: fmt.Sprintf("%s, over %s (%s)", b.To, m.cfg.Server, how), When: b.when(b.places),
		Channel: envelope{m, b}, Due: func(e Event, t time.Time) (time.Time, bool) { return b.due(e, t, b.places) }}
}

// An envelope is the way to one mailbox.
type envelope struct {
	by *Mailer
	to *Mailbox
}

// Send mails an event. The same event is the same message to the byte, so that a receiver can tell a repetition by
// its Message-ID.
func (v envelope) Send(ctx context.Context, e Event, due time.Time) (string, error) {
	msg, err := v.message(e, due)
	if err != nil {
		return "", err
	}
	said, err := v.by.send(ctx, msg)
	if err != nil {
		return "", fmt.Errorf("mail: %w", err)
	}
	return said, nil
}

func (v envelope) message(e Event, due time.Time) (*gomail.Msg, error) {
	l, err := compose(e, v.to, v.by.cfg.Pages)
	if err != nil {
		return nil, err
	}
	to, err := v.to.address()
	if err != nil {
		return nil, err
	}
	box := idOf(e.ID, v.to.Name)
	domain := v.by.from.Address[strings.LastIndexByte(v.by.from.Address, '@')+1:]
	m := gomail.NewMsg(gomail.WithNoDefaultUserAgent(), gomail.WithBoundary(box))
	m.FromMailAddress(v.by.from)
	m.ToMailAddress(to)
	m.Subject(l.Subject)
	m.SetDateWithValue(due)
	m.SetMessageIDWithValue(box + "@" + domain)
	if l.Thread != "" { // mails of one alert are one conversation
		thread := "<" + idOf(l.Thread, v.to.Name) + "@" + domain + ">"
		m.SetGenHeader(gomail.HeaderReferences, thread)
		m.SetGenHeader(gomail.HeaderInReplyTo, thread)
	}
	m.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834: no out-of-office answers, please
	m.SetBodyString(gomail.TypeTextPlain, l.Text)
	m.AddAlternativeString(gomail.TypeTextHTML, l.HTML)
	return m, nil
}

// send hands a message over and returns the server's answer. A refusal with a code from 500 on, of this message or
// its recipient, is final; one of the connection or of our login is not: settings get mended.
func (m *Mailer) send(ctx context.Context, msg *gomail.Msg) (string, error) {
	var conn net.Conn
	dial := func(dialing context.Context, network, addr string) (net.Conn, error) {
		c, err := (&net.Dialer{}).DialContext(dialing, network, addr)
		if err != nil {
			return nil, err
		}
		context.AfterFunc(ctx, func() { c.SetDeadline(time.Unix(1, 0)) })
		conn = c
		return c, nil
	}
	secure := &tls.Config{ServerName: m.host, RootCAs: m.trust, MinVersion: tls.VersionTLS12}
	opts := []gomail.Option{gomail.WithPort(m.port), gomail.WithTimeout(sendTime), gomail.WithTLSConfig(secure)}
	switch m.cfg.TLS {
	case "tls":
		// The library's own dialer: it tells the sign-in that the connection is encrypted.
		opts = append(opts, gomail.WithSSL())
	case "starttls":
		opts = append(opts, gomail.WithTLSPolicy(gomail.TLSMandatory), gomail.WithDialContextFunc(dial))
	case "none":
		opts = append(opts, gomail.WithTLSPolicy(gomail.NoTLS), gomail.WithDialContextFunc(dial))
	}
	if m.cfg.User != "" {
		auth := gomail.SMTPAuthAutoDiscover
		if m.cfg.TLS == "none" {
			auth = gomail.SMTPAuthPlainNoEnc // to this machine only
		}
		opts = append(opts, gomail.WithSMTPAuth(auth), gomail.WithUsername(m.cfg.User), gomail.WithPassword(m.cfg.Password))
	}
	c, err := gomail.NewClient(m.host, opts...)
	if err != nil {
		return "", err
	}
	defer func() {
		if conn != nil {
			conn.Close() // the library leaves it open where the greeting fails
		}
	}()
	err = c.DialAndSendWithContext(ctx, msg)
	if msg.IsDelivered() { // the server has it, whatever became of the good-bye
		return "the mail server answered " + oneLine(msg.ServerResponse()), nil
	}
	var refused *gomail.SendError
	if errors.As(err, &refused) && refused.ErrorCode() >= 500 && !refused.IsTemp() {
		return "", fmt.Errorf("%w: %w", err, ErrRefused)
	}
	if err == nil {
		err = errors.New("the mail server did not say that it took the message")
	}
	return "", err
}
