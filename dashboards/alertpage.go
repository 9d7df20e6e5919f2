package dashboards

import (
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"strings"
	"time"

	"marginline/alerts"
	"marginline/alerts/knowledge"
	"marginline/analyze"
	"marginline/dashboards/people"
	"marginline/ingest/series"
)

type alertPage struct {
	alertRow
	Why          []string
	Chart        template.HTML
	Narrow       template.HTML
	Caption      []string
	Name         string
	Confounders  []string // what else moves the result
	Conditions   []string // under which the test runs
	Others       []string // further tests that point to the same cause
	History      []historyRow
	Fault        string // what was wrong with the form, kept beside what was typed
	FaultIn      string // the form at fault
	Who          signer
	Typed, Until string
	Earliest     string
	Standing     bool // decisions are possible
	CanOrder     bool
	CanUndo      bool // a decision stands that can be taken back
}

type historyRow struct {
	At   moment
	Who  string
	Text string
	Why  string
}

// form is what a person typed with a decision.
type form struct{ verb, who, reason, until, fault string }

func (s *Server) alert(w http.ResponseWriter, r *http.Request) error {
	return s.showAlert(w, r, http.StatusOK, form{who: whose(r)})
}

func (s *Server) showAlert(w http.ResponseWriter, r *http.Request, status int, f form) error {
	ctx := r.Context()
	a, history, err := s.deps.Book.Get(ctx, r.PathValue("id"))
	if err != nil {
		return s.notThere(err, "alert", r.PathValue("id"))
	}
	if a.ID != r.PathValue("id") && r.Method == http.MethodGet { // asked for by the beginning of its id
		http.Redirect(w, r, "/alerts/"+url.PathEscape(a.ID), http.StatusFound)
		return nil
	}
	desk := s.deps.Desk(ctx)
	now, row := desk.Now, s.row(*a, desk)
	p := alertPage{
		alertRow: row, Fault: f.fault, FaultIn: f.verb, Who: signer{f.who, people.From(ctx) != nil}, Typed: f.reason, Until: f.until,
		Earliest: now.In(row.Zone).AddDate(0, 0, 1).Format(time.DateOnly),
		Standing: a.State != alerts.Closed && a.State != alerts.Withdrawn && people.From(ctx).May(people.Decide),
	}
	p.CanOrder = p.Standing && a.OrderID == nil && a.Kind != analyze.NotRunning
	p.CanUndo = a.State == alerts.Acknowledged || a.State == alerts.Explained || a.State == alerts.Muted
	for _, h := range history {
		p.History = append(p.History, historyRow{At: moment{h.At, row.Zone}, Who: h.Who, Text: change(h), Why: h.Why})
	}
	if a.Kind != analyze.Surprise { // a stored code is a fact, whatever moved the results
		entry := knowledge.Builtin().For(a.Family, first(a.Tests))
		p.Confounders, p.Conditions = entry.Confounders, entry.Conditions
	}
	if len(a.Tests) > 0 && a.Kind != analyze.Surprise {
		p.Name = s.testName(a.Tests[0])
		p.Others = a.Tests[1:]
		by, err := s.courses(ctx, a.Unit)
		if err != nil {
			return err
		}
		if tr := by[series.Key{Unit: a.Unit, ECU: a.ECU, Test: a.Tests[0]}]; tr != nil {
			c, ds := s.chartOf(tr, row.Zone), dots(tr)
			c.W, c.H = 900, 250
			p.Chart = c.draw(ds)
			c.W, c.H = 340, 250
			p.Narrow = c.draw(ds)
			p.Why, p.Caption = s.why(tr, row.Zone), chartCaption(c, ds)
		}
	}
	return s.show(w, r, status, "alert", view{Title: "Unit " + a.Unit + ": " + headline(a.Reason), Nav: "alerts", Live: a.Unit, Body: p})
}

// change says what a step in an alert's history did.
func change(h alerts.AuditEntry) string {
	from, to := stateWords[alerts.State(h.From)], stateWords[alerts.State(h.To)]
	switch {
	case to == "":
		return string(h.To)
	case from == "" || from == to:
		return to
	}
	return from + " → " + to
}

func (s *Server) notThere(err error, what, name string) error {
	if errors.Is(err, alerts.ErrNotFound) || errors.Is(err, alerts.ErrAmbiguous) {
		return missing{what, name, "It may have had another number, or the address was cut short. The lists of alerts and work orders have every one."}
	}
	return err
}

// refused shows the alert again when the book did not take a decision, with what was typed.
func (s *Server) refused(w http.ResponseWriter, r *http.Request, f form, err error) error {
	switch {
	case errors.Is(err, alerts.ErrTransition):
		f.fault = "In its present state the alert cannot be changed like this; perhaps somebody else was faster. Look at its history below."
		return s.showAlert(w, r, http.StatusConflict, f)
	case errors.Is(err, alerts.ErrInput):
		f.fault = "Something is missing: a name, a reason, or an end date that lies ahead."
		return s.showAlert(w, r, http.StatusUnprocessableEntity, f)
	}
	return s.notThere(err, "alert", r.PathValue("id"))
}

const textLimit = 2000 // characters of a reason, far more than anyone writes at six in the morning

// decide writes down what a person decided about an alert, then shows the alert again.
func (s *Server) decide(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, 64<<10)
	f := form{
		verb: r.PathValue("verb"), who: people.Who(r.Context(), strings.TrimSpace(r.PostFormValue("who"))),
		reason: strings.TrimSpace(r.PostFormValue("reason")), until: r.PostFormValue("until"),
	}
	ctx, id, now := r.Context(), r.PathValue("id"), s.deps.Now()
	a, _, err := s.deps.Book.Get(ctx, id)
	if err != nil {
		return s.notThere(err, "alert", id)
	}
	var until time.Time
	switch {
	case f.who == "":
		f.fault = "Say who decides: the history of the alert keeps the name."
	case len(f.who) > 100 || len(f.reason) > textLimit:
		f.fault = fmt.Sprintf("That is too long: at most 100 characters for the name and %d for the reason.", textLimit)
	case f.reason == "" && (f.verb == "explain" || f.verb == "mute"):
		f.fault = "Say why: without a reason nobody can judge this later."
	case f.verb == "mute":
		until, err = time.ParseInLocation(time.DateOnly, f.until, s.zone(a.Unit))
		if err != nil {
			f.fault = "Give the day on which the mute ends, such as " + now.AddDate(0, 0, 14).Format(time.DateOnly) + "."
		} else if until = until.AddDate(0, 0, 1); !until.After(now) {
			f.fault = "The day on which the mute ends must lie ahead."
		}
	}
	if f.fault != "" {
		return s.showAlert(w, r, http.StatusUnprocessableEntity, f)
	}
	next := "/alerts/" + url.PathEscape(id) + "#history"
	switch f.verb {
	case "acknowledge":
		err = s.deps.Book.Acknowledge(ctx, id, f.who, f.reason, time.Time{})
	case "explain":
		err = s.deps.Book.Explain(ctx, id, f.who, f.reason, time.Time{})
	case "mute":
		err = s.deps.Book.Mute(ctx, id, f.who, f.reason, until)
	case "reopen":
		err = s.deps.Book.Reopen(ctx, id, f.who, f.reason)
	case "order":
		next, err = s.makeOrder(ctx, id, f.who, now)
	default:
		return errNoPage
	}
	if err != nil {
		return s.refused(w, r, f, err)
	}
	remember(w, r, f.who)
	s.Changed(a.Unit)
	http.Redirect(w, r, next, http.StatusSeeOther)
	return nil
}
