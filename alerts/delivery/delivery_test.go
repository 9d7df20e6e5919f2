package delivery

import (
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"database/sql"
	"encoding/base64"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"time"

	cloudevent "github.com/cloudevents/sdk-go/v2/event"
	"github.com/emersion/go-ical"
	_ "modernc.org/sqlite"

	"marginline/alerts"
	"marginline/alerts/shop"
)

var noon = time.Date(2026, 5, 25, 12, 0, 0, 0, time.UTC)

const secret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"

// signed is the signature as the Standard Webhooks specification defines it, written here a second time:
// base64 of HMAC-SHA256 over id.timestamp.body with the decoded secret.
func signed(t *testing.T, id, at string, body []byte) string {
	t.Helper()
	key, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(secret, "whsec_"))
	if err != nil {
		t.Fatal(err)
	}
	m := hmac.New(sha256.New, key)
	m.Write([]byte(id + "." + at + "."))
	m.Write(body)
	return "v1," + base64.StdEncoding.EncodeToString(m.Sum(nil))
}

// The worked example of the reference implementation of Standard Webhooks (its own tests), from memory.
func TestSignatureExample(t *testing.T) {
	if got := signed(t, "msg_p5jXN8AQM9LWM0D4loKWxJek", "1614265330", []byte(`{"test": 2432232314}`)); got != "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=" {
		t.Error(got)
	}
}

type request struct {
	id, at, signature string
	body              []byte
}

// receiver is a real HTTP server that fails the first so many times.
func receiver(t *testing.T, fails int) (*httptest.Server, *[]request) {
	t.Helper()
	var got []request
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			t.Error(err)
		}
		got = append(got, request{r.Header.Get("webhook-id"), r.Header.Get("webhook-timestamp"), r.Header.Get("webhook-signature"), body})
		if len(got) <= fails {
			w.WriteHeader(http.StatusServiceUnavailable)
		}
	}))
	t.Cleanup(srv.Close)
	return srv, &got
}

// state is a new state database.
func state(t *testing.T) *sql.DB {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+filepath.Join(t.TempDir(), "state.db"))
	if err != nil {
		t.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	t.Cleanup(func() { db.Close() })
	return db
}

func outbox(t *testing.T, url string) (*Outbox, *time.Time) {
	t.Helper()
	db := state(t)
	hook, err := NewWebhook(url, secret)
	if err != nil {
		t.Fatal(err)
	}
	o, err := OpenOutbox(t.Context(), db, []Target{hook.Target()}, slog.New(slog.DiscardHandler), nil)
	if err != nil {
		t.Fatal(err)
	}
	now := noon
	o.now, hook.now = func() time.Time { return now }, func() time.Time { return now }
	return o, &now
}

func TestWebhook(t *testing.T) {
	srv, got := receiver(t, 2)
	o, now := outbox(t, srv.URL)
	ctx := t.Context()
	e, err := NewEvent(alerts.WasRaised, alerts.Alert{ID: "a-1", Unit: "217", Reason: "The seal is losing tightness.", RaisedAt: noon}, noon)
	if err != nil {
		t.Fatal(err)
	}
	for range 2 { // the same happening twice is one event
		if err := o.Add(ctx, e); err != nil {
			t.Fatal(err)
		}
	}
	for _, wait := range []time.Duration{0, 0, 5 * time.Second, time.Minute, time.Hour} {
		*now = now.Add(wait)
		if err := o.Flush(ctx); err != nil {
			t.Fatal(err)
		}
	}
	if len(*got) != 3 {
		t.Fatalf("%d requests, want two failures and one success", len(*got))
	}
	for i, r := range *got {
		if r.id != e.ID || r.signature != signed(t, r.id, r.at, r.body) || !bytes.Equal(r.body, (*got)[0].body) {
			t.Errorf("try %d: %+v", i+1, r)
		}
	}
	if (*got)[0].at == (*got)[2].at {
		t.Error("a retry has a new time")
	}
	// The CloudEvents SDK reads the body and finds it valid.
	var ce cloudevent.Event
	if err := json.Unmarshal((*got)[2].body, &ce); err != nil {
		t.Fatal(err)
	}
	if err := ce.Validate(); err != nil || ce.Type() != Raised || ce.Subject() != "217" || ce.ID() != e.ID || !strings.Contains(string(ce.Data()), "a-1") {
		t.Errorf("%v %v", ce, err)
	}
	list, err := o.List(ctx, 10)
	if err != nil || len(list) != 1 || list[0].State != "taken" || list[0].Tries != 3 {
		t.Errorf("%+v %v", list, err)
	}
}

func TestWebhookGivesUpAndSaysSo(t *testing.T) {
	srv, got := receiver(t, 1000)
	o, now := outbox(t, srv.URL)
	e, err := NewEvent(alerts.HasEnded, alerts.Alert{ID: "a-1", Unit: "217"}, noon)
	if err != nil {
		t.Fatal(err)
	}
	if err := o.Add(t.Context(), e); err != nil {
		t.Fatal(err)
	}
	for range 20 {
		if err := o.Flush(t.Context()); err != nil {
			t.Fatal(err)
		}
		*now = now.Add(25 * time.Hour)
	}
	list, err := o.List(t.Context(), 10)
	if err != nil || list[0].State != "failed" || list[0].Tries != len(after)+1 || len(*got) != len(after)+1 || !strings.Contains(list[0].Error, "503") {
		t.Errorf("%+v %v", list, err)
	}
	if _, err := NewWebhook("http://x", "not base64!"); err == nil {
		t.Error("a secret that is none was taken")
	}
}

// An independent parser reads the feed: whole days, a stable UID, a move and a cancellation.
func TestCalendar(t *testing.T) {
	day, err := shop.ParseDay("2026-05-29")
	if err != nil {
		t.Fatal(err)
	}
	slot := func(d shop.Day) *alerts.Slot {
		return &alerts.Slot{Day: d, Bay: "2", Technician: "Wes", Who: "Priya", Why: "swap unit is ready, größer; truck"}
	}
	read := func(orders ...alerts.WorkOrder) []ical.Event {
		t.Helper()
		var b bytes.Buffer
		if err := WriteCalendar(&b, "Alder Yard", orders, noon, func(*alerts.WorkOrder) string { return "fuel vapour: leak" }); err != nil {
			t.Fatal(err)
		}
		for line := range strings.SplitSeq(b.String(), "\r\n") {
			if len(line) > 75 {
				t.Errorf("a line of %d octets (RFC 5545, 3.1): %s", len(line), line)
			}
		}
		cal, err := ical.NewDecoder(&b).Decode()
		if err != nil {
			t.Fatal(err)
		}
		return cal.Events()
	}
	text := func(e ical.Event, name string) string {
		t.Helper()
		s, err := e.Props.Text(name)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	o := alerts.WorkOrder{ID: "w-1", Unit: "217"}
	o.Slot, o.Sequence = slot(day), 1
	first := read(o, alerts.WorkOrder{ID: "w-2", Unit: "218"}) // nobody chose a day for the second
	if len(first) != 1 || text(first[0], "UID") != "w-1@marginline" || text(first[0], "STATUS") != "CONFIRMED" || !strings.Contains(text(first[0], "DESCRIPTION"), "größer; truck") {
		t.Fatalf("%+v", first)
	}
	if start, err := first[0].DateTimeStart(time.UTC); err != nil || !start.Equal(day.Time(time.UTC)) {
		t.Errorf("%v %v", start, err)
	}
	o.Slot, o.Sequence = slot(day+3), 2
	moved := read(o)
	if text(moved[0], "UID") != "w-1@marginline" || moved[0].Props.Get("SEQUENCE").Value != "1" || first[0].Props.Get("SEQUENCE").Value != "0" {
		t.Errorf("%+v", moved)
	}
	o.Off, o.Slot, o.Sequence = o.Slot, nil, 3
	off := read(o)
	if text(off[0], "STATUS") != "CANCELLED" || off[0].Props.Get("SEQUENCE").Value != "2" {
		t.Errorf("%+v", off)
	}
}
