package main

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// The order of the house: a package imports only packages to its left. Packages in one group do not
// import each other.
var house = [][]string{
	{"ingest/series", "ingest/broker/cutline"},
	{"ingest/obd", "ingest/obd/transport", "ingest/report", "ingest/fleet"},
	{"ingest/lake", "ingest/broker", "ingest/fleetsim", "ingest/backup", "ingest/enroll"},
	{"ingest"},
	{"analyze"},
	{"alerts/knowledge"},
	{"alerts/shop"},
	{"alerts/schedule"},
	{"alerts"},
	{"alerts/review", "alerts/delivery"},
	{"alerts/api"},
	{"sql/sheet"},
	{"sql"},
	{"sql/flight"},
	{"dashboards/people"},
	{"dashboards"},
	{"", "deploy/soak"}, // main, and the program that runs it under load
}

// Some packages are narrower than their place: what they may import, all of it.
var narrow = map[string][]string{
	"ingest/series":         {},
	"analyze":               {"ingest/series", "ingest/fleet"},
	"ingest/obd":            {"ingest/series"},
	"ingest/obd/transport":  {"ingest/series"},
	"ingest/report":         {"ingest/series"},
	"ingest/fleet":          {"ingest/series"},
	"ingest/backup":         {},
	"ingest/enroll":         {},
	"ingest/broker/cutline": {},
}

// Some libraries have one home, so that each can be replaced in one place.
var homes = map[string]string{
	"github.com/marcboeker/go-duckdb":        "sql",
	"github.com/apache/arrow/go/v15":         "ingest/lake sql", // what the lake stores, and what a query answers
	"github.com/apache/arrow-go/v18":         "sql",             // DuckDB's driver hands over answers with it
	"github.com/landlock-lsm/go-landlock":    "sql",
	"google.golang.org/grpc":                 "sql/flight",
	"github.com/apache/iceberg-go":           "ingest/lake",
	"github.com/nats-io/nats-server/v2":      "ingest/broker",
	"github.com/nats-io/nats.go":             "ingest/broker",
	"github.com/synadia-io/orbit.go":         "ingest/broker",
	"github.com/wneessen/go-mail":            "alerts/delivery",
	"github.com/xuri/excelize":               "sql/sheet",
	"modernc.org/sqlite":                     "",
	"golang.org/x/oauth2":                    "dashboards/people",
	"github.com/coreos/go-oidc":              "dashboards/people",
	"golang.org/x/crypto/argon2":             "dashboards/people",
	"github.com/spf13/cobra":                 "",
	"github.com/knadh/koanf":                 "",
	"github.com/apache/arrow-go/v18/parquet": "nowhere: it does not link beside arrow v15",
	"github.com/apache/iceberg-go/table":     "nowhere: it does not link beside arrow v15",
}

type listed struct {
	ImportPath string
	Imports    []string
}

func TestImportsGoOneWay(t *testing.T) {
	const module = "marginline"
	place := map[string]int{}
	for i, group := range house {
		for _, p := range group {
			place[p] = i
		}
	}
	out, err := exec.Command("go", "list", "-json=ImportPath,Imports", "./...").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	dec := json.NewDecoder(bytes.NewReader(out))
	seen := 0
	for dec.More() {
		var p listed
		if err := dec.Decode(&p); err != nil {
			t.Fatal(err)
		}
		name := strings.TrimPrefix(strings.TrimPrefix(p.ImportPath, module), "/")
		at, known := place[name]
		if !known {
			t.Errorf("%q has no place in the house: add it to the order, in one place", name)
			continue
		}
		seen++
		for _, imp := range p.Imports {
			for lib, home := range homes {
				if imp != lib && !strings.HasPrefix(imp, lib+"/") {
					continue
				}
				at := func(home string) bool { return home == name || strings.HasPrefix(name, home+"/") }
				if !at(home) && !slices.ContainsFunc(strings.Fields(home), at) {
					t.Errorf("%s imports %s, whose home is %q", name, imp, home)
				}
			}
			own, ours := strings.CutPrefix(imp, module+"/")
			if !ours {
				if name == "ingest/series" && strings.Contains(strings.Split(imp, "/")[0], ".") {
					t.Errorf("ingest/series imports %s: standard library only", imp)
				}
				continue
			}
			if place[own] >= at {
				t.Errorf("%s imports %s, which is not to its left", name, own)
			}
			if allowed, is := narrow[name]; is && !slices.Contains(allowed, own) {
				t.Errorf("%s imports %s: it may import %v only", name, own, allowed)
			}
		}
	}
	if seen < 12 {
		t.Errorf("only %d packages seen: the house has more", seen)
	}
}

// Every module that go.mod asks for itself has a row in the table of dependencies.
func TestEveryDependencyIsExplained(t *testing.T) {
	out, err := exec.Command("go", "list", "-m", "-f", "{{if not (or .Main .Indirect)}}{{.Path}}{{end}}", "all").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	text, err := os.ReadFile("DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	_, table, _ := strings.Cut(string(text), "## 7.")
	table, _, _ = strings.Cut(table, "## 8.")
	direct := strings.Fields(string(out))
	if len(direct) < 20 {
		t.Fatalf("only %d direct modules: %q", len(direct), direct)
	}
	version := regexp.MustCompile(`/v\d+$`)
	for _, module := range direct {
		if strings.Contains(module, "/koanf/") { // one row for its parts
			module = "knadh/koanf"
		}
		name := version.ReplaceAllString(module, "")
		if short := path.Base(name); short != "go" {
			name = short
		} else {
			name = strings.TrimPrefix(name, "github.com/")
		}
		if !strings.Contains(table, name) {
			t.Errorf("DEVELOPERS.md, section 7, does not say what %s is for", module)
		}
	}
}
