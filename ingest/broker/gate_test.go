package broker

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"database/sql"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	_ "modernc.org/sqlite"

	"marginline/ingest/enroll"
)

// listed is a real register as the broker asks for it.
type listed struct{ *enroll.Register }

func (l listed) Required() bool { return l.Any() }
func (l listed) NATS(nkey string, nonce []byte, sig string) (Pass, error) {
	r, err := l.Register.NATS(nkey, nonce, sig)
	return Pass(r), err
}
func (l listed) MQTT(user, password string) (Pass, error) {
	r, err := l.Register.MQTT(user, password)
	return Pass(r), err
}

func register(t *testing.T) *enroll.Register {
	t.Helper()
	dir := t.TempDir()
	db, err := sql.Open("sqlite", filepath.Join(dir, "state.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	r, err := enroll.Open(t.Context(), db)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func enrolled(t *testing.T, r *enroll.Register, device string) *enroll.Credential {
	t.Helper()
	c, err := r.Enroll(t.Context(), device, "Rao")
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// refusals collects what the server refuses to a connection.
type refusals chan string

func (r refusals) has(t *testing.T, what string) {
	t.Helper()
	select {
	case got := <-r:
		if !strings.Contains(got, what) {
			t.Errorf("refused %q, want %q", got, what)
		}
	case <-time.After(20 * time.Second):
		t.Errorf("nothing was refused, want %q", what)
	}
}

// seed is a credential as a NATS library takes it.
func seed(t *testing.T, c *enroll.Credential) nats.Option {
	t.Helper()
	file := filepath.Join(t.TempDir(), "dongle.nk")
	if err := os.WriteFile(file, []byte(c.Seed), 0o600); err != nil {
		t.Fatal(err)
	}
	o, err := nats.NkeyOptionFromSeed(file)
	if err != nil {
		t.Fatal(err)
	}
	return o
}

func dongleConn(t *testing.T, b *Broker, c *enroll.Credential, more ...nats.Option) (*nats.Conn, refusals) {
	t.Helper()
	no := make(refusals, 100)
	nc, err := nats.Connect("nats://"+b.Addr(), append([]nats.Option{seed(t, c), nats.CustomInboxPrefix(c.Inbox), nats.MaxReconnects(0),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { no <- err.Error() })}, more...)...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	return nc, no
}

func acked(t *testing.T, nc *nats.Conn, device, payload string) {
	t.Helper()
	m, err := nc.Request(ReportSubject+device, []byte(payload), 20*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	var ack struct {
		Seq   uint64
		Error *apiError
	}
	if err := json.Unmarshal(m.Data, &ack); err != nil || ack.Error != nil || ack.Seq == 0 {
		t.Errorf("answer %s (%v)", m.Data, err)
	}
}

func count(t *testing.T, b *Broker) uint64 {
	t.Helper()
	info, err := b.info(t.Context(), Reports)
	if err != nil {
		t.Fatal(err)
	}
	return info.State.Msgs
}

// What a dongle with a good credential may do on NATS, and everything that it may not.
func TestDongleOnNATS(t *testing.T) {
	r := register(t)
	b := open(t, Config{Dir: t.TempDir(), Listen: "127.0.0.1:0", Register: listed{r}})
	defer closeIt(t, b)
	nobody, err := nats.Connect("nats://"+b.Addr(), nats.MaxReconnects(0))
	if err != nil {
		t.Fatalf("nobody is enrolled yet: %v", err)
	}
	defer nobody.Close()
	acked(t, nobody, "dgl-0", `{"id":"open"}`)
	good, other := enrolled(t, r, "dgl-1"), enrolled(t, r, "dgl-2")
	b.Disconnect("")
	eventually(t, "who came in before is disconnected", nobody.IsClosed)
	for name, opt := range map[string]nats.Option{
		"nobody": nats.Name("x"), "a password": nats.UserInfo(good.User, good.Password), "this process": nats.UserInfo(ownUser, "guess"), "a token": nats.Token(good.Password),
	} {
		if nc, err := nats.Connect("nats://"+b.Addr(), opt); err == nil {
			nc.Close()
			t.Errorf("%s is served", name)
		}
	}
	nc, no := dongleConn(t, b, good)
	victim, _ := dongleConn(t, b, other)
	acked(t, nc, "dgl-1", `{"id":"a"}`)
	acked(t, victim, "dgl-2", `{"id":"b"}`)

	// Publishing as another, everywhere else, and with wildcards.
	for _, subject := range []string{"obd.reports.dgl-2", "obd.taken.dgl-1", "obd.receipts.dgl-2", "obd.quarantine.x.1.report", "obd.reports.dgl-1.more", "$JS.API.STREAM.PURGE.OBD_REPORTS",
		"$JS.API.STREAM.DELETE.OBD_REPORTS", "$JS.ACK.x", "$SYS.REQ.SERVER.PING", "_INBOX.x", other.Inbox + ".1", "$MQTT.msgs.x"} {
		if err := nc.Publish(subject, []byte("x")); err != nil {
			t.Errorf("%s: %v", subject, err)
		}
		no.has(t, fmt.Sprintf("Permissions Violation for Publish to %q", subject))
	}
	// Reading, with and without wildcards.
	for _, subject := range []string{"obd.reports.dgl-2", "obd.reports.dgl-1", "obd.reports.*", "obd.>", ">", "*.reports.*", "_INBOX.>", other.Inbox + ".>", "_INBOX_*.>", "$JS.>", "$SYS.>", "obd.receipts.dgl-2"} {
		if _, err := nc.SubscribeSync(subject); err != nil {
			t.Errorf("%s: %v", subject, err)
		}
		if err := nc.Flush(); err != nil {
			t.Fatal(err)
		}
		no.has(t, fmt.Sprintf("Permissions Violation for Subscription to %q", subject))
	}
	// An answer that is sent elsewhere: to another's inbox with its secret unknown, to the streams' API, as a report.
	before := count(t, b)
	for _, reply := range []string{"$JS.API.STREAM.PURGE.OBD_REPORTS", "$JS.API.STREAM.DELETE.OBD_REPORTS", "obd.reports.dgl-2", "obd.taken.dgl-2"} {
		if err := nc.PublishMsg(&nats.Msg{Subject: "obd.reports.dgl-1", Reply: reply, Data: []byte(`{"id":"r"}`)}); err != nil {
			t.Fatal(err)
		}
	}
	acked(t, nc, "dgl-1", `{"id":"last"}`)
	if after := count(t, b); after != before+5 {
		t.Errorf("%d reports, want %d: an answer went where its sender may not publish", after, before+5)
	}
	// Headers are nobody's word.
	h := nats.Header{replayHeader: {"x.1.report"}, ReceivedHeader: {"2001-01-01T00:00:00Z"}}
	if _, err := nc.RequestMsg(&nats.Msg{Subject: "obd.reports.dgl-1", Header: h, Data: []byte(`{"id":"h"}`)}, 20*time.Second); err != nil {
		t.Fatal(err)
	}
	p, err := b.Pull(t.Context(), 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range fetch(t, p, int(count(t, b))) {
		if m.Replay != "" || !m.Received.IsZero() || m.Device == "dgl-2" && string(m.Data) != `{"id":"b"}` {
			t.Errorf("%+v", m)
		}
	}
	// Another's report is not dropped by a header.
	guess := nats.Header{jetstream.MsgIDHeader: {"next"}}
	if _, err := nc.RequestMsg(&nats.Msg{Subject: "obd.reports.dgl-1", Header: guess, Data: []byte(`{"id":"s"}`)}, 20*time.Second); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the window ends", func() bool {
		m, err := victim.RequestMsg(&nats.Msg{Subject: "obd.reports.dgl-2", Header: guess, Data: []byte(`{"id":"v"}`)}, 20*time.Second)
		return err == nil && !strings.Contains(string(m.Data), "duplicate")
	})

	// Rotation: the old one works for the overlap; revocation: nothing does, at once.
	next, err := r.Rotate(t.Context(), "dgl-1", "Rao", time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	newer, _ := dongleConn(t, b, next)
	acked(t, newer, "dgl-1", `{"id":"n"}`)
	acked(t, nc, "dgl-1", `{"id":"o"}`)
	if next, err = r.Rotate(t.Context(), "dgl-1", "Rao", time.Second); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the overlap ends on live connections too", func() bool { return nc.IsClosed() && newer.IsClosed() })
	nc, _ = dongleConn(t, b, next)
	newer, _ = dongleConn(t, b, next)
	if err := r.Revoke(t.Context(), "dgl-1", "Rao", "stolen"); err != nil {
		t.Fatal(err)
	}
	b.Disconnect("dgl-1")
	eventually(t, "both connections end", func() bool { return nc.IsClosed() && newer.IsClosed() })
	if nc, err := nats.Connect("nats://"+b.Addr(), seed(t, next)); err == nil {
		nc.Close()
		t.Error("a revoked credential is served")
	}
	acked(t, victim, "dgl-2", `{"id":"goes on"}`)
	if b.Turned()["credential"] < 5 {
		t.Errorf("%v", b.Turned())
	}
}

func eventually(t *testing.T, what string, cond func() bool) {
	t.Helper()
	for end := time.Now().Add(time.Minute); !cond(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("not within a minute: %s", what)
		}
	}
}

func mqttConn(b *Broker, id, user, password string) (mqtt.Client, error) {
	o := mqtt.NewClientOptions().AddBroker("tcp://" + b.MQTTAddr()).SetClientID(id).SetProtocolVersion(4).SetAutoReconnect(false).SetConnectRetry(false).SetUsername(user).SetPassword(password)
	c := mqtt.NewClient(o)
	k := c.Connect()
	if !k.WaitTimeout(20 * time.Second) {
		return c, fmt.Errorf("no answer")
	}
	return c, k.Error()
}

// The same over MQTT.
func TestDongleOnMQTT(t *testing.T) {
	r := register(t)
	one, two := enrolled(t, r, "dgl-1"), enrolled(t, r, "dgl-2")
	b := open(t, Config{Dir: t.TempDir(), Listen: "127.0.0.1:0", MQTT: "127.0.0.1:0", Register: listed{r}})
	defer closeIt(t, b)
	for _, w := range [][2]string{{"", ""}, {"dgl-1", "wrong"}, {"dgl-1", two.Password}, {ownUser, ""}} {
		if c, err := mqttConn(b, "dgl-1", w[0], w[1]); err == nil {
			c.Disconnect(0)
			t.Errorf("%v is served", w)
		}
	}
	c, err := mqttConn(b, "dgl-1", one.User, one.Password)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Disconnect(0)
	receipts := make(chan string, 4)
	done(t, c.Subscribe("obd/receipts/dgl-1", 0, func(_ mqtt.Client, m mqtt.Message) { receipts <- string(m.Payload()) }))
	done(t, c.Publish("obd/reports/dgl-1", 1, false, `{"id":"a"}`))
	p, err := b.Pull(t.Context(), 0)
	if err != nil {
		t.Fatal(err)
	}
	if m := fetch(t, p, 1); m[0].Device != "dgl-1" || string(m[0].Data) != `{"id":"a"}` {
		t.Errorf("%+v", m[0])
	}
	for _, topic := range []string{"obd/receipts/dgl-2", "obd/receipts/+", "#", "obd/reports/dgl-2", "$SYS/#"} {
		k := c.Subscribe(topic, 0, func(_ mqtt.Client, m mqtt.Message) { receipts <- "read " + m.Topic() })
		k.WaitTimeout(20 * time.Second)
		if got := k.(*mqtt.SubscribeToken).Result()[topic]; got != 0x80 {
			t.Errorf("%s: subscription answered %#x, want 0x80 (MQTT 3.1.1, section 3.9.3)", topic, got)
		}
	}
	for _, to := range []string{"dgl-2", "dgl-1"} {
		if err := b.Receipt(to, Receipt{ID: to, Kept: "stored"}); err != nil {
			t.Fatal(err)
		}
	}
	if got := <-receipts; !strings.Contains(got, `"dgl-1"`) {
		t.Errorf("read %s", got)
	}
	before := count(t, b)
	k := c.Publish("obd/reports/dgl-2", 1, false, "as another")
	k.WaitTimeout(5 * time.Second)
	if n := count(t, b); n != before {
		t.Errorf("%d reports more: published as another", n-before)
	}
	// Another dongle's client id: the one who takes it is put out and held, its owner comes back.
	owner, err := mqttConn(b, "dgl-2", two.User, two.Password)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { owner.Disconnect(0) }()
	thief, err := mqttConn(b, "dgl-2", one.User, one.Password)
	if err != nil {
		t.Fatal(err)
	}
	eventually(t, "the thief is put out", func() bool { return b.Turned()["client_id"] > 0 })
	thief.Disconnect(0)
	if _, err := mqttConn(b, "dgl-2", one.User, one.Password); err == nil {
		t.Error("a thief comes back at once")
	}
	eventually(t, "the owner is served", func() bool { owner, err = mqttConn(b, "dgl-2", two.User, two.Password); return err == nil })
	// Revocation.
	if err := r.Revoke(t.Context(), "dgl-2", "Rao", "sold"); err != nil {
		t.Fatal(err)
	}
	b.Disconnect("dgl-2")
	eventually(t, "it ends", func() bool { return !owner.IsConnectionOpen() })
	if _, err := mqttConn(b, "dgl-2", two.User, two.Password); err == nil {
		t.Error("a revoked password is served")
	}
}

// A dongle that floods is put out and held; another one that publishes all the while, and sends again what is not
// acknowledged, has every report in the log, and nobody else is put out.
func TestFloodHurtsNobodyElse(t *testing.T) {
	r := register(t)
	bad, good := enrolled(t, r, "dgl-bad"), enrolled(t, r, "dgl-good")
	b := open(t, Config{Dir: t.TempDir(), Listen: "127.0.0.1:0", Register: listed{r}})
	defer closeIt(t, b)
	evil, _ := dongleConn(t, b, bad)
	calm, _ := dongleConn(t, b, good)
	ctx, stop := context.WithCancel(t.Context())
	var sent atomic.Int64
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		junk := []byte(strings.Repeat("x", 200))
		for ctx.Err() == nil && evil.Publish("obd.reports.dgl-bad", junk) == nil {
			sent.Add(1)
		}
	}()
	kept := 0
	for ; kept < 100 || b.Turned()["flood"] == 0; kept++ {
		if kept == 100_000 {
			t.Fatalf("nobody stopped a flood of %d messages", sent.Load())
		}
		tell := fmt.Sprintf(`{"id":"%d"}`, kept)
		eventually(t, "a report of the calm one is acknowledged", func() bool {
			m, err := calm.Request("obd.reports.dgl-good", []byte(tell), 5*time.Second)
			return err == nil && strings.Contains(string(m.Data), `"seq"`) && !strings.Contains(string(m.Data), `"error"`)
		})
	}
	eventually(t, "the flood is put out", evil.IsClosed)
	stop()
	<-ended
	if nc, err := nats.Connect("nats://"+b.Addr(), seed(t, bad)); err == nil {
		nc.Close()
		t.Error("it comes back at once")
	}
	s, err := b.js.Stream(t.Context(), Reports)
	if err != nil {
		t.Fatal(err)
	}
	info, err := s.Info(t.Context(), jetstream.WithSubjectFilter("obd.reports.dgl-good"))
	if err != nil || info.State.Subjects["obd.reports.dgl-good"] < uint64(kept) {
		t.Errorf("%d of %d reports of the calm one (%v)", info.State.Subjects["obd.reports.dgl-good"], kept, err)
	}
	if got := b.Turned(); got["flood"] != 1 || got["bytes"]+got["subscriptions"]+got["client_id"] != 0 {
		t.Errorf("%v", got)
	}
	t.Logf("%d messages of the flood before it was put out; %d reports of the other beside it", sent.Load(), kept)

	// A dongle that waits for its answers may send as much as it likes.
	for i := range 1500 {
		acked(t, calm, "dgl-good", fmt.Sprintf(`{"id":"c%d"}`, i))
	}
	time.Sleep(3 * defaultFlood.look)
	if got := b.Turned(); got["flood"] != 1 || !calm.IsConnected() {
		t.Errorf("%v, connected: %v", got, calm.IsConnected())
	}

	// Oversized and broken messages end their own connection only.
	if err := calm.Publish("obd.reports.dgl-good", make([]byte, maxPayload+1)); err == nil {
		t.Error("an oversized message is taken by the client")
	}
	acked(t, calm, "dgl-good", "not a report at all \x00\xff")
}

// TLS on both listeners; without it nobody is served there.
func TestDonglesOverTLS(t *testing.T) {
	r := register(t)
	one := enrolled(t, r, "dgl-1")
	pair, pool := certificate(t)
	b := open(t, Config{Dir: t.TempDir(), Listen: "127.0.0.1:0", MQTT: "127.0.0.1:0", Register: listed{r}, TLS: &tls.Config{MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{pair}, NextProtos: []string{"h2"}}})
	defer closeIt(t, b)
	nc, _ := dongleConn(t, b, one, nats.Secure(&tls.Config{RootCAs: pool}))
	acked(t, nc, "dgl-1", `{"id":"a"}`)
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("ssl://" + b.MQTTAddr()).SetClientID("dgl-1").SetProtocolVersion(4).SetAutoReconnect(false).
		SetUsername(one.User).SetPassword(one.Password).SetTLSConfig(&tls.Config{RootCAs: pool}))
	done(t, c.Connect())
	defer c.Disconnect(0)
	done(t, c.Publish("obd/reports/dgl-1", 1, false, `{"id":"b"}`))
	if _, err := mqttConn(b, "dgl-1", one.User, one.Password); err == nil {
		t.Error("MQTT without TLS is served")
	}
	if nc, err := nats.Connect("nats://"+b.Addr(), nats.Secure(&tls.Config{RootCAs: x509.NewCertPool()})); err == nil {
		nc.Close()
		t.Error("a certificate of nobody is taken")
	}
}

// Looking takes a twentieth of a processor at most, however many connections there are.
func TestLooksAreFartherApartWhereTheyTakeLong(t *testing.T) {
	f := defaultFlood
	for took, want := range map[time.Duration]time.Duration{0: f.look, 20 * time.Millisecond: f.look, 500 * time.Millisecond: 9500 * time.Millisecond} {
		if got := f.pause(took).Round(time.Millisecond); got != want {
			t.Errorf("after a look of %v a pause of %v, want %v", took, got, want)
		}
	}
}
