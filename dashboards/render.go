package dashboards

import (
	"bytes"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"math"
	"net/http"
	"net/url"
	"path"
	"reflect"
	"strings"
	"time"

	"marginline/alerts"
	"marginline/alerts/review"
	"marginline/alerts/shop"
	"marginline/analyze"
	"marginline/dashboards/people"
)

// pages are the parsed templates, each with the common layout around it.
type pages map[string]*template.Template

// A view is what the layout needs to know of a page.
type view struct {
	Title  string
	Nav    string // which entry of the navigation is this page
	Live   string // unit whose changes refresh the page; "*" every change; "" none
	Print  bool   // the page is a sheet of paper: no navigation in print
	Body   any
	Notice string // the pages do not tell the whole truth yet, and why
	Fleet  string
	Foot   string
	Made   time.Time
	Style  string
	Script string
	Choice *choice // zone and units
	Find   string  // what was looked for
	SQL    bool    // there is a page for SQL
	Bare   bool    // for who has not signed in: no navigation
	Me     *me     // who looks at it; nil where people are not known
}

// me is what the layout says of who looks at a page.
type me struct {
	Name                                   string // "" where nobody has to sign in
	SignedIn, Looks, Queries, Manages, Own bool
}

func (s *Server) me(r *http.Request) *me {
	c := people.From(r.Context())
	m := &me{Looks: c.May(people.Look), Queries: c.May(people.Query), Manages: s.deps.People != nil && c.May(people.Manage), Own: s.deps.People != nil}
	if c != nil {
		m.Name, m.SignedIn = c.Name, c.Known()
	}
	return m
}

func loadPages(files fs.FS, s *Server) (pages, error) {
	layout, err := template.New("layout.html").Funcs(s.funcs()).ParseFS(files, "pages/layout.html", "pages/parts.html")
	if err != nil {
		return nil, fmt.Errorf("page layout: %w", err)
	}
	out := pages{}
	names, err := fs.Glob(files, "pages/*.html")
	if err != nil {
		return nil, err
	}
	for _, file := range names {
		name := strings.TrimSuffix(path.Base(file), ".html")
		if name == "layout" || name == "parts" {
			continue
		}
		t, err := template.Must(layout.Clone()).ParseFS(files, file)
		if err != nil {
			return nil, fmt.Errorf("page %s: %w", name, err)
		}
		out[name] = t
	}
	return out, nil
}

// funcs are the words and forms that templates may use.
func (s *Server) funcs() template.FuncMap {
	return template.FuncMap{
		"figure": figure, "fixed": fixed, "headline": headline, "rest": rest, "firstrows": firstRows, "beyond": beyond, "plaindays": plainDays, "percent": percent, "measure": s.measure, "plural": plural, "family": familyTitle,
		"class": classOf,
		"state": func(st alerts.State) string { return stateWords[st] },
		"kind":  func(k analyze.Kind) string { return kindWords[k] },
		"deref": pointed, "factword": shop.Kind.Words, "symptomword": shop.Symptom,
		"resultword": func(r review.Result) string { return strings.ReplaceAll(string(r), "_", " ") },
		"stepword":   func(st alerts.Step) string { return stepWords[st] },
		"orderword":  func(st alerts.OrderState) string { return strings.ReplaceAll(string(st), "_", " ") },
		"nan":        math.IsNaN,
		"dict":       dict,
		"test":       s.testName,
		"zonewords":  s.zoneWords, "unitURL": unitURL, "seriesURL": seriesURL,
		"unitSign": unitSign,
		"pathpart": url.PathEscape,
		"utc":      func(t time.Time) template.HTML { return moment{t, s.readersZone()}.Stamp() },
		"ago":      func(t time.Time) string { return ago(t, s.deps.Now()) },
	}
}

// pointed is what a pointer points at, for templates.
func pointed(p any) any {
	v := reflect.ValueOf(p)
	if v.Kind() == reflect.Pointer && !v.IsNil() {
		return v.Elem().Interface()
	}
	return p
}

// stepWords name the steps of an order as buttons do.
var stepWords = map[alerts.Step]string{
	alerts.StepApprove: "Approve", alerts.StepSchedule: "Choose the day", alerts.StepArrive: "Unit is here", alerts.StepStart: "Work begins", alerts.StepWait: "Wait for parts, approval or soak",
	alerts.StepFinish: "Write the outcome", alerts.StepClose: "Close", alerts.StepDefer: "Put off until a day", alerts.StepCancel: "Cancel", alerts.StepNoShow: "Did not come", alerts.StepReopen: "Open again", alerts.StepRelease: "Give the day back",
}

// dict joins names and values, so that a part of a page can be given more than one thing.
func dict(pairs ...any) map[string]any {
	m := make(map[string]any, len(pairs)/2)
	for i := 0; i+1 < len(pairs); i += 2 {
		if name, ok := pairs[i].(string); ok {
			m[name] = pairs[i+1]
		}
	}
	return m
}

func alertURL(id string) string  { return "/alerts/" + url.PathEscape(id) }
func orderURL(id string) string  { return "/orders/" + url.PathEscape(id) }
func unitURL(unit string) string { return "/units/" + url.PathEscape(unit) }

func seriesURL(unit, ecu, test string) string {
	return "/series/" + url.PathEscape(unit) + "/" + url.PathEscape(ecu) + "/" + url.PathEscape(test)
}

// testName is a test in plain words, or its key where nobody knows more.
func (s *Server) testName(test string) string {
	if s.deps.Names != nil {
		if n := s.deps.Names.Test(test); n != "" {
			return n
		}
	}
	return "test " + test
}

// show renders a page into memory first: an error half way must not leave half a page behind.
func (s *Server) show(w http.ResponseWriter, r *http.Request, status int, name string, v view) error {
	v.Fleet, v.Style, v.Script, v.Made = s.cfg.Fleet, s.assets.style, s.assets.script, s.deps.Now()
	v.Me = s.me(r)
	v.SQL = s.deps.SQL != nil && v.Me.Queries
	if !v.Bare {
		v.Choice = s.choiceOf(r)
	}
	v.Foot = "marginline " + s.cfg.Version
	if !s.assets.bundle {
		v.Foot += " · UI bundle not built: run make web"
	}
	if s.deps.Health != nil && !v.Bare {
		if err := s.deps.Health.Ready(r.Context()); err != nil {
			v.Notice = err.Error()
		}
	}
	var b bytes.Buffer
	if err := s.pages[name].Execute(&b, v); err != nil {
		return fmt.Errorf("page %s: %w", name, err)
	}
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Cache-Control", "no-cache, private")
	w.WriteHeader(status)
	_, _ = b.WriteTo(w) // a reader that left is no failure of ours
	return nil
}

var errNoPage = errors.New("no such page")

// A missing thing is one that the reader asked for by name.
type missing struct{ what, name, hint string }

func (m missing) Error() string { return fmt.Sprintf("no %s %q", m.what, m.name) }

type errorPage struct{ Head, Text, Hint, Ref string }

// writeError is the one exit for failures: safe words to the reader, the error itself to the log, and a
// reference that joins the two.
func (s *Server) writeError(w http.ResponseWriter, r *http.Request, err error) {
	status, page := http.StatusInternalServerError, errorPage{}
	var miss missing
	switch {
	case errors.As(err, &miss):
		status = http.StatusNotFound
		page = errorPage{Head: "Not found", Text: fmt.Sprintf("There is no %s “%s”.", miss.what, miss.name), Hint: miss.hint}
	case errors.Is(err, errNoPage):
		status = http.StatusNotFound
		page = errorPage{Head: "Not found", Text: "There is no page at this address.", Hint: "Start from Today."}
	default:
		var id [4]byte
		rand.Read(id[:])
		page = errorPage{
			Head: "This page could not be made",
			Text: "The service could not read what the page needs. Nothing was changed and nothing is lost.",
			Hint: "Try again in a moment. If it stays, give the reference to whoever runs the service: it is in the log beside the reason.",
			Ref:  hex.EncodeToString(id[:]),
		}
		s.log.Error("page", "method", r.Method, "path", r.URL.Path, "ref", page.Ref, "err", err)
	}
	if err := s.show(w, r, status, "error", view{Title: page.Head, Body: page}); err != nil {
		s.log.Error("error page", "err", err)
		http.Error(w, page.Head, status)
	}
}

func subFS(f fs.FS, dir string) fs.FS {
	sub, err := fs.Sub(f, dir)
	if err != nil {
		panic(err) // the name is a constant of this package
	}
	return sub
}

// asJSON writes values that always can be written.
func asJSON(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		panic(err) // only strings and numbers are passed
	}
	return string(b)
}
