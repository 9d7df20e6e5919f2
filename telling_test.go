package main

import (
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"
	"time"

	"marginline/alerts/delivery"
	"marginline/alerts/shop"
)

// heard is a webhook's receiver that keeps what it is told.
type heard struct {
	sync.Mutex
	events []delivery.Event
}

func (h *heard) ServeHTTP(_ http.ResponseWriter, r *http.Request) {
	var e delivery.Event
	body, _ := io.ReadAll(r.Body)
	if json.Unmarshal(body, &e) == nil {
		h.Lock()
		defer h.Unlock()
		h.events = append(h.events, e)
	}
}

func (h *heard) types(unit string) map[string]int {
	h.Lock()
	defer h.Unlock()
	n := map[string]int{}
	for _, e := range h.events {
		if e.Subject == unit {
			n[e.Type]++
		}
	}
	return n
}

// What happens while the service tells is told once; what happened while it did not is told at the next start,
// once too. A digest is made once a day.
func TestNothingGoesUntold(t *testing.T) {
	data, units := smallFleet(t)
	h := &heard{}
	srv := httptest.NewServer(h)
	defer srv.Close()
	cfg, err := loadConfig("", nil, map[string]any{"data": data, "log.level": "error", "webhook.url": srv.URL, "webhook.secret": "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw",
		"mail.server": "127.0.0.1:1", "mail.tls": "none", "mail.from": "alerts@fleet.example",
		"mail.recipients": []any{map[string]any{"to": "desk@fleet.example", "digest": "00:00", "urgent": []any{}}}})
	if err != nil {
		t.Fatal(err)
	}
	if cfg.Mail.Recipients[0].Urgent == nil {
		t.Error("an empty list of urgent alerts is not none given")
	}
	a, err := openApp(t.Context(), cfg, cfg.logger(io.Discard))
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := a.close(); err != nil {
			t.Error(err)
		}
	}()
	ctx := t.Context()
	if err := a.watch.ready(ctx); err != nil {
		t.Fatal(err)
	}
	smell := func(unit string) {
		t.Helper()
		now := time.Now().UTC().Truncate(time.Second)
		f := shop.Fact{Kind: shop.Report, Unit: unit, At: now, By: "driver", Symptom: "fuel_smell"}
		if err := f.Check(now); err != nil {
			t.Fatal(err)
		}
		if _, err := a.floor.Take(ctx, []shop.Fact{f}, "driver"); err != nil {
			t.Fatal(err)
		}
	}
	flush := func() {
		t.Helper()
		if err := a.outbox.Flush(ctx); err != nil {
			t.Fatal(err)
		}
	}
	smell(units[0]) // nobody tells yet
	flush()
	if n := h.types(units[0]); len(n) != 0 {
		t.Fatalf("told before the service serves: %v", n)
	}
	a.watch.serving.Store(true)
	defer a.watch.serving.Store(false)
	smell(units[1])
	flush()
	if n := h.types(units[1]); n[delivery.Raised] != 1 {
		t.Errorf("%v", n)
	}
	for range 2 {
		if err := a.floor.tellMissed(ctx); err != nil {
			t.Fatal(err)
		}
		flush()
	}
	for _, u := range units[:2] {
		if n := h.types(u); n[delivery.Raised]+n[delivery.Worsened] == 0 || n[delivery.Raised] > 1 || n[delivery.Worsened] > 1 {
			t.Errorf("unit %s: %v", u, n)
		}
	}
	for range 2 { // as after a restart: what was made is not remembered
		if err := a.digests(ctx, time.Now(), map[string]bool{}); err != nil {
			t.Fatal(err)
		}
	}
	list, err := a.outbox.List(ctx, 100)
	if err != nil {
		t.Fatal(err)
	}
	digests := 0
	for _, s := range list {
		if s.Type == delivery.Daily {
			digests++
		}
	}
	if digests != 1 {
		t.Errorf("%d digests a day: %+v", digests, list)
	}
}
