package main

import (
	"bytes"
	"log/slog"
	"strings"
	"testing"
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
		{"a: [", "c.yaml"},
	} {
		if _, err := loadConfig(write(t, "c.yaml", c.yaml), nil, nil); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: %v, want it to name %q", c.yaml, err, c.want)
		}
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
	if fromFile != plain {
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
