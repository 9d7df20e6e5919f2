package main

import (
	"encoding/json"
	"log/slog"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/knadh/koanf/parsers/yaml"
	"github.com/prometheus/client_golang/prometheus"
)

// Every metric that a rule for Prometheus looks at is one that the service has, and every rule says what is
// wrong and what to do.
func TestPrometheusRules(t *testing.T) {
	cfg, err := loadConfig("", nil, map[string]any{"data": filepath.Join(t.TempDir(), "d")})
	if err != nil {
		t.Fatal(err)
	}
	a, err := openApp(t.Context(), cfg, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	defer a.close()
	families, err := a.reg.Gather()
	if err != nil {
		t.Fatal(err)
	}
	have := map[string]bool{}
	for _, f := range families {
		have[f.GetName()] = true
	}
	described := make(chan *prometheus.Desc, 1000) // what has no sample yet is described all the same
	a.reg.Describe(described)
	close(described)
	for d := range described {
		if m := regexp.MustCompile(`fqName: "([^"]+)"`).FindStringSubmatch(d.String()); m != nil {
			have[m[1]] = true
		}
	}
	text, err := os.ReadFile("deploy/prometheus/marginline.rules.yaml")
	if err != nil {
		t.Fatal(err)
	}
	top, err := yaml.Parser().Unmarshal(text)
	if err != nil {
		t.Fatal(err)
	}
	sections := runbook(t, have)
	t.Run("dashboard", func(t *testing.T) { checkDashboard(t, have) })
	n := 0
	for _, g := range top["groups"].([]any) {
		for _, r := range g.(map[string]any)["rules"].([]any) {
			rule := r.(map[string]any)
			name, _ := rule["alert"].(string)
			expr, _ := rule["expr"].(string)
			used := regexp.MustCompile(`marginline_\w+`).FindAllString(expr, -1)
			if name == "" || len(used) == 0 {
				t.Errorf("a rule without a name or a metric: %v", rule)
			}
			for _, m := range used {
				if !have[m] {
					t.Errorf("%s looks at %s, which is not there", name, m)
				}
			}
			notes, _ := rule["annotations"].(map[string]any)
			summary, _ := notes["summary"].(string)
			description, _ := notes["description"].(string)
			if !strings.HasSuffix(summary, ".") || description == "" {
				t.Errorf("%s does not say what is wrong and what to do: %v", name, notes)
			}
			if want := "deploy/runbook.md#" + strings.ToLower(name); notes["runbook"] != want {
				t.Errorf("%s: the annotation runbook is %v: want %s", name, notes["runbook"], want)
			}
			if len(sections[name]) < len(runbookParts) {
				t.Errorf("%s: deploy/runbook.md lacks parts of its section: %v of %v", name, sections[name], runbookParts)
			}
			delete(sections, name)
			n++
		}
	}
	cases, err := os.ReadFile("deploy/prometheus/marginline.test.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range regexp.MustCompile(`(?m)^\s+- alert: (\w+)$`).FindAllStringSubmatch(string(text), -1) {
		if strings.Count(string(cases), "alertname: "+m[1]) < 2 { // silent when all is well, and firing
			t.Errorf("deploy/prometheus/marginline.test.yaml does not try %s both ways", m[1])
		}
	}
	for name := range sections {
		t.Errorf("deploy/runbook.md has a section %s for which there is no rule", name)
	}
	if n < 5 {
		t.Errorf("%d rules", n)
	}
}

// runbookParts are what the section of every rule says, in bold at the beginning of a paragraph.
var runbookParts = []string{"It means", "Safe meanwhile", "Look", "Do", "Over when"}

// runbook gives the sections of the runbook, one a rule, and the parts that each has in their order.
func runbook(t *testing.T, have map[string]bool) map[string][]string {
	text, err := os.ReadFile("deploy/runbook.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range regexp.MustCompile(`marginline_\w+`).FindAllString(string(text), -1) {
		if !have[m] {
			t.Errorf("deploy/runbook.md looks at %s, which is not there", m)
		}
	}
	out := map[string][]string{}
	for _, section := range strings.Split(string(text), "\n## ")[1:] {
		name, body, _ := strings.Cut(section, "\n")
		out[name] = nil
		at := 0
		for _, part := range runbookParts {
			if i := strings.Index(body[at:], "\n**"+part+".** "); i >= 0 {
				at += i + 1
				out[name] = append(out[name], part)
			}
		}
	}
	return out
}

// Every expression of the provisioned dashboard looks at metrics that the service has, and every panel is named.
// deploy/tools parses the expressions.
func checkDashboard(t *testing.T, have map[string]bool) {
	text, err := os.ReadFile("dashboards/grafana/service.json")
	if err != nil {
		t.Fatal(err)
	}
	var board struct {
		Panels []struct {
			Title   string
			Targets []struct{ Expr string }
		}
	}
	if err := json.Unmarshal(text, &board); err != nil {
		t.Fatal(err)
	}
	if len(board.Panels) < 10 {
		t.Errorf("%d panels", len(board.Panels))
	}
	for _, p := range board.Panels {
		if p.Title == "" || len(p.Targets) == 0 {
			t.Errorf("a panel without a title or an expression: %+v", p)
		}
		for _, target := range p.Targets {
			used := regexp.MustCompile(`marginline_\w+`).FindAllString(target.Expr, -1)
			if len(used) == 0 {
				t.Errorf("%s looks at nothing of ours: %s", p.Title, target.Expr)
			}
			for _, m := range used {
				if !have[m] && !have[strings.TrimSuffix(m, "_bucket")] {
					t.Errorf("%s looks at %s, which is not there", p.Title, m)
				}
			}
		}
	}
}
