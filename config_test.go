package main

import (
	"bytes"
	"log/slog"
	"maps"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"marginline/analyze"
)

func TestConfigLayers(t *testing.T) {
	file := write(t, "c.yaml", "data: /from/file\nflush:\n  rows: 10\n  every: 5s\nlog:\n  level: debug\n")
	env := []string{"MARGINLINE_FLUSH_ROWS=20", "MARGINLINE_BROKER_MAX_AGE=48h", "OTHER=1"}
	c, err := loadConfig(file, env, map[string]any{"log.level": "error"})
	if err != nil {
		t.Fatal(err)
	}
	if c.Data != "/from/file" || c.Flush.Rows != 20 || c.Flush.Every.Seconds() != 5 || c.Broker.MaxAge.Hours() != 48 || c.Log.Level != "error" {
		t.Errorf("%+v", c)
	}
	if c.Web.Listen != "127.0.0.1:8470" {
		t.Errorf("default lost: %+v", c.Web)
	}
}

func TestConfigFaultsAreNamed(t *testing.T) {
	for _, c := range []struct{ yaml, want string }{
		{"flush:\n  row: 1\n", "flush.row"},
		{"flush:\n  rows: 0\n", "flush.rows"},
		{"web:\n  listen: 0.0.0.0:80\n", "web.cert"},
		{"web:\n  listen: nonsense\n", "web.listen"},
		{"log:\n  level: loud\n", "log.level"},
		{"broker:\n  url: nats://h\n  listen: 127.0.0.1:1\n", "broker.listen"},
		{"cost:\n  wasted: 0\n", "cost.saved_"},
		{"cost:\n  saved_road_call: -1\n", "cost.saved_road_call"},
		{"mail:\n  server: mail.fleet.example\n", "not host:port"},
		{"mail:\n  server: mail.fleet.example:587\n  from: nobody\n", "mail: from"},
		{"mail:\n  server: mail.fleet.example:25\n  from: a@fleet.example\n  tls: none\n  password: x\n", "in the clear"},
		{"mail:\n  recipients:\n    - to: a@fleet.example\n", "without a server"},
		{"mail:\n  recipients:\n    - to: a@fleet.example\n      depot: Alder\n", `recipient 1: unknown key "depot"`},
		{"mail:\n  server: m.fleet.example:587\n  from: a@fleet.example\n  recipients:\n    - to: a@fleet.example\n      quiet: at night\n      urgent: [fire]\n", "quiet"},
		{"a: [", "c.yaml"},
	} {
		if _, err := loadConfig(write(t, "c.yaml", c.yaml), nil, nil); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: %v, want it to name %q", c.yaml, err, c.want)
		}
	}
}

// The costs of a fleet decide what pays, and what is not set is as shipped.
func TestCostsOfAFleet(t *testing.T) {
	c, err := loadConfig(write(t, "c.yaml", "cost:\n  currency: EUR\n  wasted: 60\n  saved_cost: 100\n"), []string{"MARGINLINE_COST_SAVED_ROAD_CALL=540"}, nil)
	if err != nil {
		t.Fatal(err)
	}
	// By hand: 60/(60+100) and 60/(60+540).
	for class, want := range map[string]float64{"cost": 0.375, "road_call": 0.1} {
		if got := c.worths()[class].BreakEven(); math.Abs(got-want) > 1e-12 {
			t.Errorf("%s: break-even %g, want %g", class, got, want)
		}
	}
	trial := &analyze.Trial{Settings: "s", Classes: map[string]*analyze.ClassTrial{"cost": {Alerts: 40, Followed: 22, Unfollowed: 18}}}
	for _, x := range []struct {
		worths map[string]analyze.Worth
		pays   string
	}{{c.worths(), "yes"}, {analyze.Worths(), "open"}} {
		l := classes([]*analyze.Trial{trial}, x.worths, c.Cost.Currency)
		if n := len(l.columns); len(l.rows) != 1 || l.rows[0][n-1] != x.pays || l.rows[0][slices.Index(l.columns, "currency")] != "EUR" {
			t.Errorf("%v, want %s", l.rows, x.pays)
		}
	}
	plain, err := loadConfig("", nil, nil)
	if err != nil || !maps.Equal(plain.worths(), analyze.Worths()) {
		t.Errorf("%v: %v, want the shipped figures", err, plain.worths())
	}
}

// The example file holds every setting with its default.
func TestExampleConfigIsTheDefault(t *testing.T) {
	fromFile, err := loadConfig("deploy/marginline.yaml", nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	plain, err := loadConfig("", nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	fromFile.file = plain.file
	if !reflect.DeepEqual(fromFile, plain) {
		t.Errorf("deploy/marginline.yaml differs from the defaults:\n%+v\n%+v", fromFile, plain)
	}
}

func TestLoggerForms(t *testing.T) {
	var b bytes.Buffer
	c := config{}
	c.Log.Level, c.Log.Format = "warn", "json"
	log := c.logger(&b)
	log.Info("quiet")
	log.Warn("loud", slog.Int("n", 1))
	if got := b.String(); strings.Contains(got, "quiet") || !strings.Contains(got, `"msg":"loud"`) {
		t.Errorf("%s", got)
	}
}
