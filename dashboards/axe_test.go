package dashboards

import (
	"os"
	"strings"
	"testing"
)

// axe-core finds nothing to complain about on any page, in both schemes and at three widths. It is fetched by
// npm ci with the rest of web/ and is part of the tests only.
func TestAxeFindsNoViolation(t *testing.T) {
	source, err := os.ReadFile("web/node_modules/axe-core/axe.min.js")
	if err != nil {
		t.Fatalf("axe-core is needed: run `make web` (npm ci in dashboards/web): %v", err)
	}
	checked := 0
	everywhere(t, func(b *tab, pages map[string]string) {
		for name, path := range pages {
			schemes, widths := []bool{false, true}, []int64{1440, 768, 360}
			if racing {
				schemes, widths = schemes[:1], widths[:1]
			}
			for _, dark := range schemes {
				b.size(t, 1440, 900, dark)
				b.open(t, path)
				b.settled(t)
				eval[bool](t, b, string(source)+"; true")
				for _, width := range widths {
					b.size(t, width, 900, dark)
					if faults := axe(t, b); len(faults) > 0 {
						t.Errorf("%s at %d px, dark %v:\n%s", name, width, dark, strings.Join(faults, "\n"))
					}
					checked++
				}
			}
		}
	})
	t.Logf("%d pages looked at", checked)
	// The check itself works: a field without a name is found.
	b := browse(t, openSQL(t))
	b.open(t, "/help")
	eval[bool](t, b, string(source)+"; true")
	eval[bool](t, b, `(document.querySelector("main").insertAdjacentHTML("beforeend", "<input>"), true)`)
	if faults := axe(t, b); len(faults) != 1 || !strings.HasPrefix(faults[0], "label") {
		t.Errorf("a field without a name: %q", faults)
	}
}

// axe runs the rules over the page as it is and returns what it complains about. The source must have been evaluated.
func axe(t *testing.T, b *tab) []string {
	t.Helper()
	eval[bool](t, b, `(window.axed = undefined, axe.run(document, {resultTypes: ["violations"]}).then(
		(r) => { window.axed = r.violations.map((v) => v.id + ": " + v.help + ": " + v.nodes.slice(0, 3).map((n) => n.html.slice(0, 140)).join(" | ")); },
		(e) => { window.axed = ["axe failed: " + e]; }), true)`)
	b.until(t, "window.axed !== undefined")
	return eval[[]string](t, b, "window.axed")
}
