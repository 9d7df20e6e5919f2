package tools

import (
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/prometheus/prometheus/promql/parser"
)

// Every expression of the rules and of the dashboard is one that Prometheus' own parser takes.
func TestExpressionsParse(t *testing.T) {
	n := 0
	parse := func(where, expr string) {
		n++
		if _, err := parser.ParseExpr(strings.ReplaceAll(expr, "$__rate_interval", "5m")); err != nil {
			t.Errorf("%s: %s: %v", where, expr, err)
		}
	}
	for _, f := range []struct{ name, expr string }{
		{"../prometheus/marginline.rules.yaml", `(?m)^\s*expr: (.+)$`},
		{"../../dashboards/grafana/service.json", `(?m)^\s*"expr": (".+"),?$`},
	} {
		text, err := os.ReadFile(f.name)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range regexp.MustCompile(f.expr).FindAllStringSubmatch(string(text), -1) {
			expr := m[1]
			if strings.HasSuffix(f.name, ".json") {
				if expr, err = strconv.Unquote(expr); err != nil {
					t.Fatalf("%s: %v", f.name, err)
				}
			}
			parse(f.name, expr)
		}
	}
	if n < 25 {
		t.Errorf("%d expressions were found", n)
	}
	if _, err := parser.ParseExpr("sum by (x"); err == nil {
		t.Error("the parser takes anything")
	}
}
