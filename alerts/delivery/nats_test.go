package delivery

import (
	"encoding/json"
	"log/slog"
	"regexp"
	"strings"
	"testing"
	"time"

	cloudevent "github.com/cloudevents/sdk-go/v2/event"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"pgregory.net/rapid"

	"marginline/alerts"
	"marginline/analyze"
	"marginline/ingest/broker"
)

// What is published on the real embedded server reaches a client of its own, plain and by the stream; the same
// event again is stored once.
func TestNATS(t *testing.T) {
	b, err := broker.Open(t.Context(), broker.Config{Dir: t.TempDir(), Listen: "127.0.0.1:0", AlertAge: time.Hour}, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	conn, err := nats.Connect("nats://" + b.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	sub, err := conn.SubscribeSync("marginline.alerts.>")
	if err != nil {
		t.Fatal(err)
	}
	if err := conn.Flush(); err != nil {
		t.Fatal(err)
	}
	to := NewNATS(b).Target(b.Where()).Channel
	hostile := "9 a.b*>\r\nPUB x 0\r\n"
	test, err := NewTest("Tomas", noon)
	if err != nil {
		t.Fatal(err)
	}
	for i, c := range []struct {
		e       Event
		subject string
	}{
		{event(t, alerts.WasRaised, alerts.Alert{ID: "a-1", Unit: "217", Kind: analyze.Drift}, noon), "marginline.alerts.drift.217"},
		{event(t, alerts.WasRaised, alerts.Alert{ID: "a-2", Unit: hostile, Kind: analyze.NotRunning}, noon), "marginline.alerts.not_running.9%20a%2Eb%2A%3E%0D%0APUB%20x%200%0D%0A"},
		{event(t, alerts.WasRaised, alerts.Alert{ID: "a-3", Unit: strings.Repeat("ü", 5000), Kind: analyze.Failed}, noon), ""},
		{test, "marginline.alerts.test._"},
	} {
		for range 2 {
			said, err := to.Send(t.Context(), c.e, noon)
			if err != nil || !strings.Contains(said, "MARGINLINE_ALERTS") {
				t.Fatal(said, err)
			}
		}
		m, err := sub.NextMsg(5 * time.Second)
		if err != nil {
			t.Fatal(err)
		}
		if c.subject != "" && m.Subject != c.subject || m.Header.Get("Nats-Msg-Id") != c.e.ID || m.Header.Get("Content-Type") != "application/cloudevents+json" {
			t.Errorf("%s %v", m.Subject, m.Header)
		}
		var ce cloudevent.Event
		if err := json.Unmarshal(m.Data, &ce); err != nil {
			t.Fatal(err)
		}
		if err := ce.Validate(); err != nil || ce.ID() != c.e.ID || ce.Type() != c.e.Type || ce.Subject() != c.e.Subject {
			t.Errorf("%d: %v %v", i, ce, err)
		}
		if len(m.Subject) > 200 {
			t.Errorf("a subject of %d bytes", len(m.Subject))
		}
		if again, err := sub.NextMsg(5 * time.Second); err != nil || again.Header.Get("Nats-Msg-Id") != c.e.ID {
			t.Errorf("a plain subscriber tells a repetition by its id: %v %v", again, err)
		}
	}
	js, err := jetstream.New(conn)
	if err != nil {
		t.Fatal(err)
	}
	s, err := js.Stream(t.Context(), "MARGINLINE_ALERTS")
	if err != nil {
		t.Fatal(err)
	}
	if n := s.CachedInfo().State.Msgs; n != 4 {
		t.Errorf("%d messages are stored, want 4", n)
	}
	// A subscriber that comes later reads on.
	late, err := js.OrderedConsumer(t.Context(), "MARGINLINE_ALERTS", jetstream.OrderedConsumerConfig{FilterSubjects: []string{"marginline.alerts.*.217"}})
	if err != nil {
		t.Fatal(err)
	}
	if m, err := late.Next(jetstream.FetchMaxWait(5 * time.Second)); err != nil || m.Subject() != "marginline.alerts.drift.217" {
		t.Error(m, err)
	}
	if _, err := b.PublishEvent(t.Context(), "obd.reports.x", "i", "text/plain", nil); err == nil {
		t.Error("published beside the subject")
	}
}

// Whatever a unit is called, it is one token, and two names are never one.
func TestToken(t *testing.T) {
	ok := regexp.MustCompile(`^[A-Za-z0-9_%~-]{1,128}$`)
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.String().Draw(t, "a")
		b := rapid.OneOf(rapid.Just(a), rapid.String()).Draw(t, "b")
		if long := rapid.Bool().Draw(t, "long"); long {
			a, b = strings.Repeat(a+"ü", 40), strings.Repeat(b+"ü", 40)
		}
		if a == "_" || b == "_" {
			return // a test message's place
		}
		if !ok.MatchString(Token(a)) {
			t.Fatalf("%q is %q", a, Token(a))
		}
		if (Token(a) == Token(b)) != (a == b) {
			t.Fatalf("%q and %q are %q and %q", a, b, Token(a), Token(b))
		}
	})
}
