package dashboards

import (
	"cmp"
	"context"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"time"

	"marginline/alerts"
	"marginline/alerts/knowledge"
	"marginline/analyze"
	"marginline/dashboards/people"
	"marginline/ingest/series"
)

type ordersPage struct {
	Open, Closed []orderRow
}

type orderRow struct {
	alerts.WorkOrder
	In   string // by when
	Made moment
	Top  *alerts.Alert
	More int
}

// makeOrder puts an alert on a work order and returns that order's address.
func (s *Server) makeOrder(ctx context.Context, alertID, who string, now time.Time) (string, error) {
	o, err := s.deps.Book.Order(ctx, alertID, who, now)
	if err != nil {
		return "", err
	}
	return "/orders/" + url.PathEscape(o.ID), nil
}

func (s *Server) orders(w http.ResponseWriter, r *http.Request) error {
	list, err := s.deps.Book.Orders(r.Context())
	if err != nil {
		return err
	}
	var p ordersPage
	for _, o := range list {
		zone := s.zone(o.Unit)
		row := orderRow{WorkOrder: o, In: inBy(o.DueBy, zone), Made: moment{o.CreatedAt, zone}}
		if len(o.Alerts) > 0 {
			row.Top, row.More = &o.Alerts[0], len(o.Alerts)-1
		}
		if o.Open() {
			p.Open = append(p.Open, row)
		} else {
			p.Closed = append(p.Closed, row)
		}
	}
	return s.show(w, r, http.StatusOK, "orders", view{Title: "Work orders", Nav: "orders", Live: "*", Body: p})
}

func inBy(t *time.Time, zone *time.Location) string {
	if t == nil {
		return "within 30 days or at the next PM service, whichever is first"
	}
	return t.In(zone).Format("Mon 2 Jan 2006")
}

type orderPage struct {
	alerts.Sheet
	Unit, VIN string
	In        string
	Made      moment
	Steps     []stepGroup
	Proofs    []proof
	Fault     string
	Who       signer
	Next      []alerts.Step
	CanFinish bool
	History   []orderHistory
	Last      *alerts.Outcome
	Dense     bool // much is to be said: smaller print, so that two sheets are enough
}

type orderHistory struct {
	When moment
	alerts.OrderEntry
}

// A stepGroup is the steps of one family under its title; the common first steps have none.
type stepGroup struct {
	Title string
	First int // number of the first step
	Steps []alerts.SheetStep
}

// A proof is one piece of evidence with its drawing.
type proof struct {
	Name  string
	Chart template.HTML
	Facts []fact
}

const proofCharts = 2 // drawings on a sheet; further evidence is in words only

func (s *Server) order(w http.ResponseWriter, r *http.Request) error {
	return s.showOrder(w, r, http.StatusOK, "")
}

func (s *Server) showOrder(w http.ResponseWriter, r *http.Request, status int, fault string) error {
	ctx, id := r.Context(), r.PathValue("id")
	o, err := s.deps.Book.OrderByID(ctx, id)
	if err != nil {
		return s.notThere(err, "work order", id)
	}
	if o.ID != id && r.Method == http.MethodGet { // asked for by the beginning of its id
		http.Redirect(w, r, "/orders/"+url.PathEscape(o.ID), http.StatusFound)
		return nil
	}
	u := s.rostered(o.Unit)
	sheet := alerts.NewSheet(*o, *u, knowledge.Builtin())
	p := orderPage{Sheet: sheet, Unit: o.Unit, VIN: vinGroups(cmp.Or(o.VIN, u.VIN)), In: inBy(o.DueBy, sheet.Zone), Made: moment{o.CreatedAt, sheet.Zone}, Steps: stepGroups(sheet.Steps)}
	by, err := s.courses(ctx, o.Unit)
	if err != nil {
		return err
	}
	for i, e := range sheet.Evidence {
		pr := proof{Name: e.Name, Facts: s.evidenceFacts(e, sheet.Zone)}
		if pr.Name == "" {
			pr.Name = s.testName(e.Test)
		}
		if tr := by[series.Key{Unit: o.Unit, ECU: e.ECU, Test: e.Test}]; tr != nil && i < proofCharts {
			c := s.chartOf(tr, sheet.Zone)
			c.W, c.H = 460, 150
			pr.Chart = c.draw(dots(tr))
		}
		p.Proofs = append(p.Proofs, pr)
	}
	p.Dense = len(sheet.Steps)+4*len(sheet.Evidence) > 24
	p.Fault, p.Who, p.Last = fault, signerOf(r), o.Last()
	me := people.From(ctx)
	if s.deps.Floor != nil {
		_, history, err := s.deps.Floor.Order(ctx, o.ID)
		if err != nil {
			return err
		}
		for _, h := range history {
			p.History = append(p.History, orderHistory{moment{h.At, sheet.Zone}, h})
		}
		for _, st := range o.State.Steps() {
			if st != alerts.StepFinish && me.May(ForStep(st)) {
				p.Next = append(p.Next, st)
			}
		}
		p.CanFinish = me.May(people.Work) && (slices.Contains(o.State.Steps(), alerts.StepFinish) || o.Last() != nil)
	}
	return s.show(w, r, status, "order", view{Title: "Work order " + o.ID + ", unit " + o.Unit, Nav: "orders", Print: true, Body: p})
}

// evidenceFacts are the figures of one piece of evidence, as many as are known.
func (s *Server) evidenceFacts(e alerts.Evidence, zone *time.Location) []fact {
	out := []fact{{"Claim", kindWords[e.Kind]}}
	number := func(name string, v *float64) {
		if v != nil {
			out = append(out, fact{name, s.measure(*v, e.UnitOfMeasure)})
		}
	}
	number("Newest value", e.Value)
	limit := "Limit"
	switch e.Toward {
	case "max":
		limit = "At most"
	case "min":
		limit = "At least"
	}
	number(limit, e.Limit)
	number("Healthy level", e.Baseline)
	if e.Margin != nil {
		out = append(out, fact{"Margin left", percent(*e.Margin)})
	}
	if e.Since != nil {
		out = append(out, fact{"Since no later than", e.Since.In(zone).Format("2 Jan 2006")})
	}
	if e.ReadAt != nil {
		out = append(out, fact{"Read", e.ReadAt.In(zone).Format("2 Jan 2006")})
	}
	if e.Kind != analyze.Surprise {
		out = append(out, fact{"Test", fmt.Sprintf("%s of control unit %s", e.Test, e.ECU)})
	}
	return out
}

// stepGroups gathers steps that follow each other for the same family.
func stepGroups(steps []alerts.SheetStep) []stepGroup {
	var out []stepGroup
	for i, st := range steps {
		if len(out) == 0 || out[len(out)-1].Title != st.For {
			out = append(out, stepGroup{Title: st.For, First: i + 1})
		}
		g := &out[len(out)-1]
		g.Steps = append(g.Steps, st)
	}
	return out
}

// vinGroups writes a VIN in its three sections (ISO 3779: maker, description, indicator), which are easier
// to compare with the plate than 17 characters in a row.
func vinGroups(vin string) string {
	if len(vin) != 17 {
		return vin
	}
	return vin[:3] + " " + vin[3:9] + " " + vin[9:]
}
