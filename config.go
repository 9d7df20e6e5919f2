package main

import (
	"errors"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"time"

	"github.com/knadh/koanf/parsers/yaml"
	"github.com/knadh/koanf/providers/confmap"
	"github.com/knadh/koanf/providers/env/v2"
	"github.com/knadh/koanf/providers/file"
	"github.com/knadh/koanf/v2"

	"marginline/alerts/delivery"
	"marginline/alerts/review"
	"marginline/analyze"
	"marginline/dashboards/people"
	"marginline/ingest/lake"
)

// config is everything the service can be told. A later source wins: built-in defaults, the file given by
// --config, environment variables MARGINLINE_SECTION_KEY, then flags.
type config struct {
	file      string // where the settings were read from; empty = no file
	Data      string `koanf:"data"`      // data folder
	Catalogue string `koanf:"catalogue"` // test catalogue (CSV); empty = none
	Web       struct {
		Listen        string `koanf:"listen"`         // host:port of the pages
		URL           string `koanf:"url"`            // the address that people use, where it is a name
		Cert          string `koanf:"cert"`           // files in PEM, read again when they change
		Key           string `koanf:"key"`            //
		ACME          string `koanf:"acme"`           // e-mail for an account that gets the certificate by itself; empty = none
		ACMEDirectory string `koanf:"acme_directory"` // of the authority; empty = Let's Encrypt
	} `koanf:"web"`
	People struct { // sessions of who signed in
		Idle    time.Duration `koanf:"idle"`
		Longest time.Duration `koanf:"longest"`
	} `koanf:"people"`
	OIDC struct { // sign-in at a provider of OpenID Connect; empty issuer = none
		Issuer       string `koanf:"issuer"`
		ClientID     string `koanf:"client_id"`
		ClientSecret string `koanf:"client_secret"`
		Scopes       string `koanf:"scopes"`
		Claim        string `koanf:"claim"`
		Roles        string `koanf:"roles"`
	} `koanf:"oidc"`
	Broker struct {
		URL      string        `koanf:"url"`       // an external NATS; empty = embedded
		Listen   string        `koanf:"listen"`    // host:port for dongles on the embedded broker; empty = in process only
		Auth     string        `koanf:"auth"`      // auto: dongles sign in once one is enrolled; required: always
		MQTT     string        `koanf:"mqtt"`      // host:port of its MQTT 3.1.1 listener; empty = none
		MaxAge   time.Duration `koanf:"max_age"`   // how long raw reports stay in the log
		MaxBytes int64         `koanf:"max_bytes"` // how much of them; 0 = no limit
		AlertAge time.Duration `koanf:"alert_age"` // how long what is published on marginline.alerts.> stays; 0 = nothing is published
		Dir      string        `koanf:"dir"`       // files of the embedded broker; empty = DATA/broker
	} `koanf:"broker"`
	Cluster struct { // several machines; empty = this one alone
		Node     string `koanf:"node"`     // name of this node
		Listen   string `koanf:"listen"`   // host:port where the other nodes reach its embedded broker
		Told     string `koanf:"told"`     // host:port that they are told to reach it by; empty = listen
		Routes   string `koanf:"routes"`   // host:port of the nodes, with commas between
		Replicas int    `koanf:"replicas"` // nodes that keep each report
		Cert     string `koanf:"cert"`     // PEM files of the routes: this node's certificate,
		Key      string `koanf:"key"`      // its key,
		CA       string `koanf:"ca"`       // and who signs those of the nodes
	} `koanf:"cluster"`
	Flush struct {
		Rows  int           `koanf:"rows"`
		Every time.Duration `koanf:"every"`
	} `koanf:"flush"`
	Lake struct {
		Every       time.Duration `koanf:"every"`        // between two looks for files to merge; 0 = no upkeep
		Grace       time.Duration `koanf:"grace"`        // how long a file is kept that nothing refers to
		Snapshots   int           `koanf:"snapshots"`    // newest snapshots that stay, however old
		SnapshotAge time.Duration `koanf:"snapshot_age"` // snapshots younger than this stay, as far as 50 go
	} `koanf:"lake"`
	Disk struct {
		Floor string `koanf:"floor"` // what stays free: a size, or a share of the disk; 0 = no floor
	} `koanf:"disk"`
	Retention struct { // how old rows become: forever, or days such as 800d
		Readings string `koanf:"readings"`
		Codes    string `koanf:"codes"`
		Reports  string `koanf:"reports"`
	} `koanf:"retention"`
	SQL struct {
		Memory   string        `koanf:"memory"`   // of DuckDB in one worker
		Process  string        `koanf:"process"`  // of a worker as a whole; over it the worker is killed
		Temp     string        `koanf:"temp"`     // what one worker may spill to disk
		Threads  int           `koanf:"threads"`  // of one query
		Rows     int           `koanf:"rows"`     // most rows of one answer
		Parallel int           `koanf:"parallel"` // queries at a time; the others wait
		Timeout  time.Duration `koanf:"timeout"`
		Flight   string        `koanf:"flight"` // host:port of Arrow Flight SQL; empty = none. Its token is in DATA/flight-token
		Fence    string        `koanf:"fence"`  // required: no SQL unless the kernel confines it; preferred: without, where it cannot
	} `koanf:"sql"`
	Webhook struct { // where alerts are posted; empty = nowhere
		URL    string `koanf:"url"`
		Secret string `koanf:"secret"` // whsec_ and base64, Standard Webhooks
	} `koanf:"webhook"`
	Mail delivery.MailConfig `koanf:"mail"`
	Cost struct {            // ranges as low-high are for the review
		Currency  string `koanf:"currency"`
		Unplanned string `koanf:"unplanned"` // a road call with what follows
		Planned   string `koanf:"planned"`   // a planned visit
		Check     string `koanf:"check"`     // a needless check
		Failing   string `koanf:"failing"`   // share of the hits that would have become a road call

		// For break-even: what a visit costs that was not needed, and what one saves that was, by class of consequence.
		Wasted          float64 `koanf:"wasted"`
		SavedStop       float64 `koanf:"saved_stop"`
		SavedRoadCall   float64 `koanf:"saved_road_call"`
		SavedCompliance float64 `koanf:"saved_compliance"`
		SavedCost       float64 `koanf:"saved_cost"`
		SavedNote       float64 `koanf:"saved_note"`
	} `koanf:"cost"`
	Log struct {
		Level  string `koanf:"level"`
		Format string `koanf:"format"` // text or json
	} `koanf:"log"`
}

var configDefaults = map[string]any{
	"data":               "./marginline-data",
	"catalogue":          "",
	"web.listen":         "127.0.0.1:8470",
	"web.url":            "",
	"web.cert":           "",
	"web.key":            "",
	"web.acme":           "",
	"web.acme_directory": "",
	"people.idle":        people.DefaultConfig().Idle.String(),
	"people.longest":     people.DefaultConfig().Longest.String(),
	"oidc.issuer":        "",
	"oidc.client_id":     "",
	"oidc.client_secret": "",
	"oidc.scopes":        "profile email",
	"oidc.claim":         "roles",
	"oidc.roles":         "",
	"broker.url":         "",
	"broker.auth":        "auto",
	"broker.listen":      "",
	"broker.mqtt":        "",
	"broker.max_age":     "720h",
	"broker.max_bytes":   0,
	"broker.alert_age":   "168h",
	"broker.dir":         "",
	"cluster.node":       "",
	"cluster.listen":     "",
	"cluster.told":       "",
	"cluster.routes":     "",
	"cluster.replicas":   3,
	"cluster.cert":       "",
	"cluster.key":        "",
	"cluster.ca":         "",
	"flush.rows":         200_000,
	"flush.every":        "2s",
	"lake.every":         "1m",
	"lake.grace":         "24h",
	"lake.snapshots":     20,
	"lake.snapshot_age":  "24h",
	"disk.floor":         "2GiB",
	"retention.readings": forever,
	"retention.codes":    forever,
	"retention.reports":  forever,
	"sql.memory":         "1GB",
	"sql.process":        "3GiB",
	"sql.temp":           "4GB",
	"sql.threads":        2,
	"sql.rows":           1_000_000,
	"sql.parallel":       2,
	"sql.fence":          "required",
	"sql.flight":         "",
	"sql.timeout":        "60s",
	"webhook.url":        "",
	"webhook.secret":     "",
	"mail.server":        "",
	"mail.tls":           "starttls",
	"mail.user":          "",
	"mail.password":      "",
	"mail.ca":            "",
	"mail.from":          "",
	"mail.recipients":    nil,
	"cost.currency":      review.DefaultPrices().Currency,
	"cost.unplanned":     rangeText(review.DefaultPrices().Unplanned),
	"cost.planned":       rangeText(review.DefaultPrices().Planned),
	"cost.check":         rangeText(review.DefaultPrices().Check),
	"cost.failing":       rangeText(review.DefaultPrices().Failing),

	"cost.wasted":           analyze.Worths()["note"].Wasted,
	"cost.saved_stop":       analyze.Worths()["stop"].Saved,
	"cost.saved_road_call":  analyze.Worths()["road_call"].Saved,
	"cost.saved_compliance": analyze.Worths()["compliance"].Saved,
	"cost.saved_cost":       analyze.Worths()["cost"].Saved,
	"cost.saved_note":       analyze.Worths()["note"].Saved,

	"log.level":  "info",
	"log.format": "text",
}

const envPrefix = "MARGINLINE_"

// loadConfig merges the sources. flags holds the keys that were set on the command line.
func loadConfig(path string, environ []string, flags map[string]any) (config, error) {
	var c config
	k := koanf.New(".")
	if err := k.Load(confmap.Provider(configDefaults, "."), nil); err != nil {
		return c, fmt.Errorf("config: defaults: %w", err)
	}
	if path != "" {
		if _, err := os.Stat(path); err != nil {
			return c, fmt.Errorf("config: %w", err)
		}
		if err := k.Load(file.Provider(path), yaml.Parser()); err != nil {
			return c, fmt.Errorf("config: %s: %w", path, err)
		}
	}
	fromEnv := env.Provider(".", env.Opt{
		Prefix:      envPrefix,
		EnvironFunc: func() []string { return environ },
		TransformFunc: func(name, value string) (string, any) {
			key := strings.ToLower(strings.TrimPrefix(name, envPrefix))
			return strings.Replace(key, "_", ".", 1), value
		},
	})
	if err := k.Load(fromEnv, nil); err != nil {
		return c, fmt.Errorf("config: environment: %w", err)
	}
	if err := k.Load(confmap.Provider(flags, "."), nil); err != nil {
		return c, fmt.Errorf("config: flags: %w", err)
	}
	for _, key := range k.Keys() {
		if _, known := configDefaults[key]; !known {
			return c, fmt.Errorf("config: unknown key %q (in %s, or as %s%s)", key, orNone(path),
				envPrefix, strings.ToUpper(strings.ReplaceAll(key, ".", "_")))
		}
	}
	if err := recipientsKnown(k.Get("mail.recipients")); err != nil {
		return c, fmt.Errorf("config: mail.recipients: %w", err)
	}
	if err := k.Unmarshal("", &c); err != nil {
		return c, fmt.Errorf("config: %w", err)
	}
	c.file = path
	return c, c.validate()
}

func orNone(path string) string {
	if path == "" {
		return "no file"
	}
	return path
}

// validate finds every fault of the settings, not only the first.
func (c *config) validate() error {
	var errs []error
	bad := func(key, format string, args ...any) {
		errs = append(errs, fmt.Errorf("config: %s: %s", key, fmt.Sprintf(format, args...)))
	}
	if c.Data == "" {
		bad("data", "must name a folder")
	}
	if err := c.reach(c.Web.Listen, c.hasTLS()); err != nil {
		bad("web.listen", "%v", err)
	}
	c.checkAccess(bad)
	for _, l := range []struct{ key, addr string }{{"broker.listen", c.Broker.Listen}, {"broker.mqtt", c.Broker.MQTT}} {
		if l.addr == "" {
			continue
		}
		if err := c.reach(l.addr, c.hasTLS()); err != nil {
			bad(l.key, "%v", err)
		}
		if c.Broker.URL != "" {
			bad(l.key, "has no meaning with broker.url: the embedded broker is off")
		}
	}
	if c.Broker.Auth != "auto" && c.Broker.Auth != "required" {
		bad("broker.auth", "%q: auto or required", c.Broker.Auth)
	}
	if c.Broker.MaxAge < time.Hour {
		bad("broker.max_age", "%v is too short: at least 1h", c.Broker.MaxAge)
	}
	if c.Broker.MaxBytes < 0 || c.Broker.MaxBytes > 0 && c.Broker.MaxBytes < 16<<20 {
		bad("broker.max_bytes", "%d: 0 for no limit, or at least 16777216", c.Broker.MaxBytes)
	}
	if c.Broker.AlertAge != 0 && c.Broker.AlertAge < time.Hour {
		bad("broker.alert_age", "%v: at least 1h, or 0 for no subject", c.Broker.AlertAge)
	}
	if err := c.checkCluster(); err != nil {
		bad("cluster", "%v", err)
	}
	if c.Flush.Rows < 1 {
		bad("flush.rows", "%d: at least 1", c.Flush.Rows)
	}
	if c.Flush.Every < 10*time.Millisecond {
		bad("flush.every", "%v: at least 10ms", c.Flush.Every)
	}
	if c.Lake.Every != 0 && c.Lake.Every < time.Second {
		bad("lake.every", "%v: at least 1s, or 0 for no upkeep", c.Lake.Every)
	}
	if c.Lake.Grace < minGrace {
		bad("lake.grace", "%v: at least %v, the time that a query or a copy may take", c.Lake.Grace, minGrace)
	}
	if c.Lake.Snapshots < 1 || c.Lake.SnapshotAge < 0 {
		bad("lake.snapshots", "at least 1 snapshot, snapshot_age not below 0")
	}
	if _, err := lake.ParseFloor(c.Disk.Floor); err != nil {
		bad("disk.floor", "%v", err)
	}
	if _, err := c.limits(); err != nil {
		bad("retention", "%v", err)
	}
	if c.SQL.Rows < 1 || c.SQL.Threads < 1 || c.SQL.Parallel < 1 || c.SQL.Timeout < time.Second {
		bad("sql", "rows, threads and parallel at least 1, timeout at least 1s")
	}
	if c.SQL.Flight != "" {
		if err := c.reach(c.SQL.Flight, c.hasTLS()); err != nil {
			bad("sql.flight", "%v", err)
		}
	}
	if _, err := parseSize(c.SQL.Process); err != nil {
		bad("sql.process", "%v", err)
	}
	if err := c.engine("").Validate(); err != nil {
		bad("sql", "%v", err)
	}
	if _, err := c.webhook(); err != nil {
		bad("webhook", "%v", err)
	}
	if _, err := delivery.NewMailer(c.Mail); err != nil {
		bad("mail", "%v", err)
	}
	if err := c.checkPrices(); err != nil {
		bad("cost", "%v", err)
	}
	for name, w := range c.worths() {
		if err := w.Validate(); err != nil {
			bad("cost.saved_"+name, "%v", err)
		}
	}
	if _, err := c.level(); err != nil {
		bad("log.level", "%v", err)
	}
	if c.Log.Format != "text" && c.Log.Format != "json" {
		bad("log.format", "%q: text or json", c.Log.Format)
	}
	return errors.Join(errs...)
}

func (c *config) level() (slog.Level, error) {
	var l slog.Level
	err := l.UnmarshalText([]byte(c.Log.Level))
	return l, err
}

// logger writes to w, which is stderr: stdout is for data.
func (c *config) logger(w interface{ Write([]byte) (int, error) }) *slog.Logger {
	level, err := c.level()
	if err != nil {
		level = slog.LevelInfo
	}
	opt := &slog.HandlerOptions{Level: level}
	if c.Log.Format == "json" {
		return slog.New(slog.NewJSONHandler(w, opt))
	}
	return slog.New(slog.NewTextHandler(w, opt))
}
