package delivery

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"database/sql"
	"encoding/pem"
	"errors"
	"io"
	"log/slog"
	"math/big"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"net"
	"net/mail"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"

	"marginline/alerts"
	"marginline/alerts/shop"
	"marginline/analyze"
)

// A post is a real SMTP server in this process.
type post struct {
	addr, ca string
	mu       sync.Mutex
	got      []mailed
	fails    int // so many DATA commands are put off with a 451
	refuse   bool
	login    string
}

type mailed struct {
	from, to string
	raw      string
	secure   bool
	login    string
}

func (p *post) NewSession(c *smtp.Conn) (smtp.Session, error) { return &session{post: p, conn: c}, nil }

type session struct {
	*post
	conn     *smtp.Conn
	from, to string
	as       string
}

func (s *session) AuthMechanisms() []string { return []string{sasl.Plain} }

func (s *session) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, password string) error {
		if user+":"+password != s.login {
			return smtp.ErrAuthFailed
		}
		s.as = user
		return nil
	}), nil
}

func (s *session) Mail(from string, _ *smtp.MailOptions) error { s.from = from; return nil }

func (s *session) Rcpt(to string, _ *smtp.RcptOptions) error {
	if s.refuse {
		return &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 1, 1}, Message: "no such mailbox here"}
	}
	s.to = to
	return nil
}

func (s *session) Data(r io.Reader) error {
	raw, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.fails > 0 {
		s.fails--
		return &smtp.SMTPError{Code: 451, EnhancedCode: smtp.EnhancedCode{4, 3, 0}, Message: "the disk is full, come again"}
	}
	_, secure := s.conn.TLSConnectionState()
	s.got = append(s.got, mailed{s.from, s.to, string(raw), secure, s.as})
	return nil
}

func (s *session) Reset()        {}
func (s *session) Logout() error { return nil }

// office starts the server; implicit is TLS from the first byte, else STARTTLS is offered.
func office(t *testing.T, implicit bool) *post {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tpl := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test office"}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageDigitalSignature}
	der, err := x509.CreateCertificate(rand.Reader, tpl, tpl, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	p := &post{ca: filepath.Join(t.TempDir(), "ca.pem"), login: "fleet:secret"}
	if err := os.WriteFile(p.ca, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg := &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p.addr = l.Addr().String()
	srv := smtp.NewServer(p)
	srv.TLSConfig, srv.Domain, srv.ErrorLog = cfg, "office.fleet.example", nolog{}
	if implicit {
		l = tls.NewListener(l, cfg)
	}
	done := make(chan error, 1)
	go func() { done <- srv.Serve(l) }()
	t.Cleanup(func() { srv.Close(); <-done })
	return p
}

type nolog struct{}

func (nolog) Printf(string, ...any) {}
func (nolog) Println(...any)        {}

func (p *post) mails() []mailed {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]mailed(nil), p.got...)
}

// yard is where the units of these tests stand.
type yard struct{}

func (yard) Depot(unit string) string {
	return map[string]string{"217": "Alder Yard", "9": "Tannery Row"}[unit]
}
func (yard) Zone(depot string) *time.Location {
	z, err := time.LoadLocation(map[string]string{"Alder Yard": "America/Chicago"}[depot])
	if err != nil {
		panic(err)
	}
	return z
}

func mailer(t *testing.T, p *post, how string, to ...Recipient) *Mailer {
	t.Helper()
	m, err := NewMailer(MailConfig{Server: p.addr, TLS: how, User: "fleet", Password: "secret", CA: p.ca, From: "marginline <alerts@fleet.example>", Pages: "https://shop.fleet.example/", Recipients: to})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// boxed is an outbox for a mailer's recipients, whose clock the test sets.
func boxed(t *testing.T, m *Mailer, at time.Time) (*Outbox, *time.Time, *sql.DB) {
	t.Helper()
	db := state(t)
	var to []Target
	for _, b := range m.Boxes(yard{}) {
		to = append(to, m.Target(b))
	}
	o, err := OpenOutbox(t.Context(), db, to, slog.New(slog.DiscardHandler), nil)
	if err != nil {
		t.Fatal(err)
	}
	now := at
	o.now = func() time.Time { return now }
	return o, &now, db
}

func event(t *testing.T, h alerts.Happening, a alerts.Alert, at time.Time) Event {
	t.Helper()
	e, err := NewEvent(h, a, at)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// read parses a mail with the standard library, which had no part in writing it.
func read(t *testing.T, raw string) (h mail.Header, text, html string) {
	t.Helper()
	m, err := mail.ReadMessage(strings.NewReader(raw))
	if err != nil {
		t.Fatal(err)
	}
	kind, params, err := mime.ParseMediaType(m.Header.Get("Content-Type"))
	if err != nil || kind != "multipart/alternative" {
		t.Fatalf("%s %v", kind, err)
	}
	parts := multipart.NewReader(m.Body, params["boundary"])
	for {
		p, err := parts.NextRawPart()
		if errors.Is(err, io.EOF) {
			return m.Header, text, html
		}
		if err != nil {
			t.Fatal(err)
		}
		var in io.Reader = p
		if p.Header.Get("Content-Transfer-Encoding") == "quoted-printable" {
			in = quotedprintable.NewReader(p)
		}
		body, err := io.ReadAll(in)
		if err != nil {
			t.Fatal(err)
		}
		switch kind, _, _ := mime.ParseMediaType(p.Header.Get("Content-Type")); kind {
		case "text/plain":
			text = string(body)
		case "text/html":
			html = string(body)
		default:
			t.Errorf("a part of type %s", kind)
		}
	}
}

var wet = alerts.Alert{ID: "a-217", Unit: "217", Family: "evap", Kind: analyze.Drift, Consequence: alerts.Stop, State: alerts.Open, RaisedAt: noon,
	Reason: "The fuel tank's vapour seal is losing tightness; größer is not better. More of it follows here."}

// A mail goes over both kinds of TLS and arrives as two forms of the same words, with a stable Message-ID.
func TestMail(t *testing.T) {
	for how, implicit := range map[string]bool{"starttls": false, "tls": true} {
		t.Run(how, func(t *testing.T) {
			p := office(t, implicit)
			p.fails = 1
			o, now, db := boxed(t, mailer(t, p, how, Recipient{To: "Alder Yard desk <desk@fleet.example>", Depots: []string{"Alder Yard"}}), noon)
			e := event(t, alerts.WasRaised, wet, noon)
			for range 2 {
				if err := o.Add(t.Context(), e); err != nil {
					t.Fatal(err)
				}
			}
			for range 3 { // put off once, taken, and nothing is left
				if err := o.Flush(t.Context()); err != nil {
					t.Fatal(err)
				}
				*now = now.Add(time.Minute)
			}
			got := p.mails()
			if len(got) != 1 || got[0].to != "desk@fleet.example" || got[0].from != "alerts@fleet.example" || !got[0].secure || got[0].login != "fleet" {
				t.Fatalf("%+v", got)
			}
			list, err := o.List(t.Context(), 9)
			if err != nil || len(list) != 1 || list[0].State != "taken" || list[0].Tries != 2 || !strings.Contains(list[0].Said, "the mail server answered 2.0.0 OK") {
				t.Errorf("%+v %v", list, err)
			}
			h, text, html := read(t, got[0].raw)
			subject, err := new(mime.WordDecoder).DecodeHeader(h.Get("Subject"))
			if err != nil || subject != "Must not leave: unit 217. The fuel tank's vapour seal is losing tightness; größer is not better." {
				t.Errorf("%q %v", subject, err)
			}
			if d, err := h.Date(); err != nil || !d.Equal(noon) || h.Get("Auto-Submitted") != "auto-generated" || !strings.HasSuffix(h.Get("Message-ID"), "@fleet.example>") {
				t.Errorf("%v %v %v", d, err, h)
			}
			for _, want := range []string{"größer is not better", "More of it follows", "Alder Yard", "keep people and sparks away", "a-217", "not a finding"} { // the cautions come with it
				if !strings.Contains(text, want) || !strings.Contains(html, want) {
					t.Errorf("%q is missing in\n%s\n%s", want, text, html)
				}
			}
			if !strings.Contains(html, `href="https://shop.fleet.example/alerts/a-217"`) || !strings.Contains(text, "https://shop.fleet.example/alerts/a-217") {
				t.Error("no link to the alert")
			}
			if strings.Index(text, "BEFORE ANYONE TOUCHES IT") > strings.Index(text, "Raised ") {
				t.Error("the cautions come late")
			}
			// A crash between the server's answer and our note: the same message again, to the byte.
			if _, err := db.Exec(`update outbox set taken_at = '', next_at = due_at`); err != nil {
				t.Fatal(err)
			}
			if err := o.Flush(t.Context()); err != nil {
				t.Fatal(err)
			}
			if again := p.mails(); len(again) != 2 || again[1].raw != got[0].raw {
				t.Error("the repetition is another message")
			}
		})
	}
}

// A server that refuses the recipient is not asked again; one that refuses our login is. Both are said.
func TestMailFailures(t *testing.T) {
	p := office(t, false)
	p.refuse = true
	o, now, _ := boxed(t, mailer(t, p, "starttls", Recipient{To: "desk@fleet.example"}), noon)
	if err := o.Add(t.Context(), event(t, alerts.WasRaised, wet, noon)); err != nil {
		t.Fatal(err)
	}
	for range 3 {
		if err := o.Flush(t.Context()); err != nil {
			t.Fatal(err)
		}
		*now = now.Add(time.Hour)
	}
	if list, err := o.List(t.Context(), 9); err != nil || list[0].State != "failed" || list[0].Tries != 1 || !strings.Contains(list[0].Error, "no such mailbox here") {
		t.Errorf("%+v %v", list, err)
	}
	p.refuse, p.login = false, "fleet:other"
	sent, err := o.Try(t.Context(), "mail desk@fleet.example", "Tomas")
	if err != nil || sent.State != "failed" || sent.Tries != 1 || sent.Error == "" {
		t.Errorf("%+v %v", sent, err)
	}
	p.login = "fleet:secret"
	if sent, err = o.Try(t.Context(), "mail desk@fleet.example", "Tomas\r\nBcc: all@fleet.example"); err != nil || sent.State != "taken" {
		t.Errorf("%+v %v", sent, err)
	}
	if _, err := o.Try(t.Context(), "mail nobody@fleet.example", "Tomas"); !errors.Is(err, ErrNoTarget) {
		t.Error(err)
	}
	// A certificate of nobody's is not taken.
	m := mailer(t, p, "starttls", Recipient{To: "desk@fleet.example"})
	m.trust = nil
	b := m.Boxes(yard{})[0]
	if _, err := m.Target(b).Channel.Send(t.Context(), event(t, alerts.WasRaised, wet, noon), noon); err == nil || !strings.Contains(err.Error(), "certificate") {
		t.Error(err)
	}
	// A server that is away is no reason to wait for ever.
	m = mailer(t, p, "starttls", Recipient{To: "desk@fleet.example"})
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := m.Target(m.Boxes(yard{})[0]).Channel.Send(ctx, event(t, alerts.WasRaised, wet, noon), noon); err == nil {
		t.Error("sent for somebody who had left")
	}
}

// Names from outside never become headers, envelope lines or markup.
func TestMailTakesNoOrdersFromNames(t *testing.T) {
	p := office(t, false)
	o, _, _ := boxed(t, mailer(t, p, "starttls", Recipient{To: "desk@fleet.example", Urgent: []string{"all"}}), noon)
	for i, name := range []string{"9\r\nBcc: all@fleet.example\r\n\r\nhello", "9\nX-Spam: no", "9\u2028\u0085\u202eX: y", "=?utf-8?q?x=0D=0AX-A:_b?=", "<script>alert(1)</script>", "9\r\n.\r\nMAIL FROM:<x@y>", strings.Repeat("ü", 500), "\xff\x00"} {
		a := wet
		a.ID, a.Unit, a.Reason = string(rune('a'+i)), name, name
		if err := o.Add(t.Context(), event(t, alerts.WasRaised, a, noon)); err != nil {
			t.Fatal(err)
		}
		if err := o.Flush(t.Context()); err != nil {
			t.Fatal(err)
		}
		got := p.mails()
		if len(got) != i+1 {
			t.Fatalf("%q: %d mails", name, len(got))
		}
		h, _, html := read(t, got[i].raw)
		if len(h) != 10 || h.Get("Bcc") != "" || h.Get("X-Spam") != "" {
			t.Errorf("%q: %d headers: %v", name, len(h), h)
		}
		if strings.Contains(html, "<script") {
			t.Errorf("%q: markup", name)
		}
		for line := range strings.SplitSeq(got[i].raw, "\r\n") {
			if len(line) > 998 {
				t.Errorf("%q: a line of %d (RFC 5322, 2.1.1)", name, len(line))
			}
		}
	}
}

// Hours that are quiet hold mail back; what may break them does not wait, and a retry waits too.
func TestQuietHours(t *testing.T) {
	zone := yard{}.Zone("Alder Yard")
	p := office(t, false)
	desk := Recipient{To: "desk@fleet.example", Depots: []string{"Alder Yard"}, Quiet: "21:00-06:00", Break: []string{"stop"}}
	o, now, _ := boxed(t, mailer(t, p, "starttls", desk), time.Date(2026, 5, 25, 20, 59, 58, 0, zone))
	tow := wet
	tow.ID, tow.Consequence = "a-2", alerts.RoadCall
	other := wet
	other.ID, other.Unit = "a-3", "9" // of another depot
	dull := wet
	dull.ID, dull.Consequence = "a-4", alerts.Cost
	p.fails = 1 // the first try is in time and fails: the second would be at night
	add := func(as ...alerts.Alert) {
		t.Helper()
		for _, a := range as {
			if err := o.Add(t.Context(), event(t, alerts.WasRaised, a, *now)); err != nil {
				t.Fatal(err)
			}
		}
		if err := o.Flush(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	add(tow, other, dull)
	*now = now.Add(10 * time.Minute)
	add(wet) // breaks the silence
	if got := p.mails(); len(got) != 1 || !strings.Contains(got[0].raw, "Must not leave") {
		t.Fatalf("%d mails at night", len(got))
	}
	again := tow
	again.ID = "a-5"
	add(again)
	*now = time.Date(2026, 5, 26, 5, 59, 59, 0, zone)
	add()
	if n := len(p.mails()); n != 1 {
		t.Fatalf("%d mails before the end of the night", n)
	}
	if list, _ := o.List(t.Context(), 9); list[0].State != "held" || !list[0].NextAt.Equal(time.Date(2026, 5, 26, 6, 0, 0, 0, zone)) {
		t.Errorf("%+v", list[0])
	}
	*now = now.Add(time.Second)
	add()
	got := p.mails()
	if len(got) != 3 {
		t.Fatalf("%d mails in the morning, want three", len(got))
	}
	for _, m := range got[1:] {
		if h, _, _ := read(t, m.raw); strings.Contains(m.raw, "a-5") {
			if d, err := h.Date(); err != nil || !d.Equal(*now) {
				t.Errorf("a mail that was held is dated %v, not when it was to be sent: %v", d, err)
			}
		}
	}
}

// Quiet hours by the clocks of the zone, also on the days when these change (tz database, America/Chicago: 8 March
// and 1 November 2026).
func TestQuietHoursByTheClock(t *testing.T) {
	zone := yard{}.Zone("Alder Yard")
	at := func(s string) time.Time {
		t.Helper()
		x, err := time.ParseInLocation("2006-01-02 15:04:05", s, zone)
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	for _, c := range []struct{ quiet, at, want string }{
		{"21:00-06:00", "2026-05-25 20:59:59", "2026-05-25 20:59:59"},
		{"21:00-06:00", "2026-05-25 21:00:00", "2026-05-26 06:00:00"},
		{"21:00-06:00", "2026-05-26 00:10:00", "2026-05-26 06:00:00"},
		{"21:00-06:00", "2026-05-26 06:00:00", "2026-05-26 06:00:00"},
		{"12:00-13:30", "2026-05-26 12:00:00", "2026-05-26 13:30:00"},
		{"12:00-13:30", "2026-05-26 11:59:59", "2026-05-26 11:59:59"},
		{"21:00-02:30", "2026-03-07 22:00:00", "2026-03-08 03:30:00"}, // 02:30 is skipped
		{"21:00-06:00", "2026-10-31 22:00:00", "2026-11-01 06:00:00"}, // nine hours later, not eight
		{"", "2026-10-31 22:00:00", "2026-10-31 22:00:00"},
	} {
		r := Recipient{Quiet: c.quiet}
		if got := r.loud(at(c.at), zone); !got.Equal(at(c.want)) {
			t.Errorf("%s at %s: %v, want %s", c.quiet, c.at, got.In(zone), c.want)
		}
	}
	if d := (&Recipient{Quiet: "21:00-06:00"}).loud(at("2026-10-31 22:00:00"), zone).Sub(at("2026-10-31 22:00:00")); d != 9*time.Hour {
		t.Errorf("%v from 22:00 to 06:00 in the night that has 25 hours", d)
	}
}

// A digest is made once a local day, of the recipient's depots only, and one of a past time of the same day when the
// service was down.
func TestDigest(t *testing.T) {
	zone := yard{}.Zone("Alder Yard")
	p := office(t, false)
	m := mailer(t, p, "starttls", Recipient{To: "desk@fleet.example", Depots: []string{"Alder Yard"}, Digest: "06:30", Urgent: []string{}}, Recipient{To: "none@fleet.example"})
	o, now, _ := boxed(t, m, time.Date(2026, 5, 26, 6, 29, 59, 0, zone))
	box := m.Boxes(yard{})[0]
	day := shop.DayOf(*now, zone)
	other := wet
	other.ID, other.Unit, other.Reason = "a-9", "9", "Of another depot."
	gone := wet
	gone.ID, gone.Reason = "a-1", "Long known."
	matter := Matter{
		News:     []News{{alerts.WasRaised, now.Add(-time.Hour), wet}, {alerts.WasRaised, now.Add(-time.Hour), other}, {alerts.HasEnded, now.Add(-30 * time.Hour), gone}},
		Standing: []alerts.Alert{wet, other},
		Visits:   []Visit{{Unit: "217", Order: "w-1", Day: day, Bay: "2", What: "fuel vapour"}, {Unit: "217", Order: "w-2", Day: day + 5}, {Unit: "9", Order: "w-3", Day: day}},
	}
	tell := func() {
		t.Helper()
		for _, b := range m.Boxes(yard{}) {
			if r, due := b.Due(*now); due {
				e, err := r.Event(matter)
				if err != nil {
					t.Fatal(err)
				}
				if e.ID != r.ID() {
					t.Errorf("%s is not %s", e.ID, r.ID())
				}
				if err := o.AddTo(t.Context(), b.Name, e); err != nil {
					t.Fatal(err)
				}
			}
		}
		if err := o.Flush(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	tell()
	if n := len(p.mails()); n != 0 {
		t.Fatalf("%d digests before their time", n)
	}
	for range 3 { // at the time, and later in the day with other news
		*now = now.Add(time.Second)
		tell()
		*now = now.Add(5 * time.Hour)
		matter.News = nil
	}
	got := p.mails()
	if len(got) != 1 {
		t.Fatalf("%d digests in a day", len(got))
	}
	h, text, html := read(t, got[0].raw)
	if s := h.Get("Subject"); s != "Alder Yard, Tue 26 May: 1 new, 1 must not leave, 1 alerts stand" {
		t.Errorf("%q", s)
	}
	for _, want := range []string{"217", "w-1", "bay 2", "größer"} {
		if !strings.Contains(text, want) || !strings.Contains(html, want) {
			t.Errorf("%q is missing in\n%s", want, text)
		}
	}
	for _, wrong := range []string{"another depot", "Long known", "w-2", "w-3"} {
		if strings.Contains(text, wrong) || strings.Contains(html, wrong) {
			t.Errorf("%q is in\n%s", wrong, text)
		}
	}
	*now = time.Date(2026, 5, 27, 18, 0, 0, 0, zone) // it was down in the morning
	tell()
	if n := len(p.mails()); n != 2 {
		t.Errorf("%d digests after two days", n)
	}
	if r, due := box.Due(time.Date(2026, 5, 28, 6, 29, 0, 0, zone)); due {
		t.Errorf("%+v before its time", r)
	}
}
