package sql

import (
	"context"
	"database/sql"
	"embed"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"sync"
)

// A macro is a question with its answer: a query over the views that is called like a table. Its file in
// macros/ has the form of a view's, with its parameters in front:
//
//	-- What one row is.
//	-- : name | TYPE | default | meaning
//	SELECT ...

// A MacroParam is one parameter of a macro.
type MacroParam struct {
	Name    string
	Type    string
	Default string // "" = it must be given, in its place; else it is given by name, as in days := 7
	Meaning string
}

//go:embed macros/*.sql
var macroFiles embed.FS

// macroNames is the order in which people are told of the macros.
var macroNames = []string{"arrival", "first_seen", "why", "closed_alerts", "useless_series", "lead_times", "peers", "cohort"}

// Macros is the part of the dictionary that macros are. The caller must not change it.
func Macros() []View { return slices.Clone(macros()) }

var macros = sync.OnceValue(func() []View { return readViews(macroFiles, "macros", macroNames, parseMacro) })

var paramLine = regexp.MustCompile(`(?m)^-- : (.*)\n`)

func parseMacro(name, text string) (View, error) {
	v, err := parseView(name, paramLine.ReplaceAllString(text, ""))
	v.macro = true
	for _, m := range paramLine.FindAllStringSubmatch(text, -1) {
		parts := strings.Split(m[1], "|")
		if len(parts) != 4 {
			return v, fmt.Errorf("sql: macro %s: %q: want -- : name | TYPE | default | meaning", name, m[0])
		}
		for i := range parts {
			parts[i] = strings.TrimSpace(parts[i])
		}
		v.Params = append(v.Params, MacroParam{parts[0], parts[1], parts[2], parts[3]})
	}
	return v, err
}

// Call is how the view or macro stands in FROM.
func (v View) Call() string {
	if !v.macro {
		return v.Name
	}
	var params []string
	for _, p := range v.Params {
		if p.Default != "" {
			p.Name += " := " + p.Default
		}
		params = append(params, p.Name)
	}
	return v.Name + "(" + strings.Join(params, ", ") + ")"
}

// Ask is a call as people begin with it: what must be given stands as a parameter.
func (v View) Ask() string {
	var params []string
	for _, p := range v.Params {
		if p.Default == "" {
			params = append(params, "$"+p.Name)
		} else {
			params = append(params, p.Name+" := "+p.Default)
		}
	}
	return v.Name + "(" + strings.Join(params, ", ") + ")"
}

// Kind is view or macro.
func (v View) Kind() string {
	if v.macro {
		return "macro"
	}
	return "view"
}

// text is the query of a macro.
func (v View) text() string {
	var b strings.Builder
	if err := v.body.Execute(&b, nil); err != nil {
		panic(err) // a file of ours without a template in it
	}
	return b.String()
}

func findMacro(name string) (View, bool) {
	i := slices.IndexFunc(macros(), func(v View) bool { return v.Name == name })
	if i < 0 {
		return View{}, false
	}
	return macros()[i], true
}

// makeMacros makes the mentioned macros on a connection. The views they read are there.
func makeMacros(ctx context.Context, conn *sql.Conn, names map[string]bool) error {
	for _, v := range macros() {
		if !names[v.Name] {
			continue
		}
		if _, err := conn.ExecContext(ctx, "CREATE TEMP MACRO "+v.Call()+" AS TABLE\n"+v.text()); err != nil {
			return fmt.Errorf("sql: macro %s: %w", v.Name, err)
		}
	}
	return nil
}

// macro visits the call of a macro: its arguments, then its query, in which the arguments are bound.
func (w *walker) macro(v View, n, f map[string]any, in scope) error {
	given := list(f, "children")
	if err := w.walk(given, in); err != nil {
		return err
	}
	tree, err := w.body(v)
	if err != nil {
		return err
	}
	bound := map[string]any{}
	for i, p := range v.Params {
		if p.Default == "" && i < len(given) {
			bound[p.Name] = given[i]
		}
	}
	inner := walker{query: v.text(), body: w.body, allowed: w.allowed, needs: w.needs, seen: w.seen, narrow: w.narrow, bound: bound}
	if err := inner.walk(tree, nil); err != nil {
		return fmt.Errorf("sql: macro %s: %w", v.Name, err)
	}
	w.macros[v.Name] = true
	w.unit = true
	if a := str(n, "alias"); a != "" {
		w.alias(a)
	}
	return nil
}
