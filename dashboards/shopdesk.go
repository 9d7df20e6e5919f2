package dashboards

import (
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"marginline/alerts"
	"marginline/alerts/api"
	"marginline/alerts/schedule"
	"marginline/alerts/shop"
	"marginline/dashboards/people"
)

// shopDesk adds the pages of the shop: plan, steps and outcome of a visit, facts, review.
func (s *Server) shopDesk(page func(string, func(http.ResponseWriter, *http.Request) error)) {
	if s.deps.Floor == nil {
		return
	}
	page("GET /plan", s.plan)
	page("POST /plan/{job}", s.accept)
	page("POST /plan/{job}/move", s.move)
	page("POST /orders/{id}/steps", s.stepOrder)
	page("GET /orders/{id}/outcome", s.outcome)
	page("POST /orders/{id}/outcome", s.takeOutcome)
	page("GET /shop", s.shop)
	page("POST /shop/facts", s.takeFact)
	page("POST /shop/file", s.takeFile)
	page("GET /review", s.review)
}

// A signer is in whose name a form is sent.
type signer struct {
	Name  string
	Fixed bool // by the sign-in
}

func signerOf(r *http.Request) signer {
	return signer{whose(r), people.From(r.Context()) != nil}
}

// whose is the name of who signed in; where nobody has to, the one in a form, else the one that this browser gave last.
func whose(r *http.Request) string {
	if c := people.From(r.Context()); c != nil {
		return c.Name
	}
	if who := strings.TrimSpace(r.PostFormValue("who")); who != "" {
		return who
	}
	if c, err := r.Cookie("who"); err == nil {
		who, _ := url.QueryUnescape(c.Value)
		return who
	}
	return ""
}

func remember(w http.ResponseWriter, r *http.Request, who string) {
	if people.From(r.Context()) != nil {
		return
	}
	http.SetCookie(w, &http.Cookie{Name: "who", Value: url.QueryEscape(who), Path: "/", MaxAge: 180 * 24 * 3600, HttpOnly: true, SameSite: http.SameSiteStrictMode})
}

// A refusal is something that the book did not take, in words for the person who tried.
func refusal(err error) (string, bool) {
	for _, known := range []error{api.ErrForbidden, alerts.ErrInput, alerts.ErrTransition, alerts.ErrNotFound, alerts.ErrAmbiguous, shop.ErrNotFound, schedule.ErrInput} {
		if errors.Is(err, known) {
			return err.Error(), true
		}
	}
	return "", false
}

// stepOrder takes an order one step on and shows it again.
func (s *Server) stepOrder(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, 64<<10)
	n := alerts.StepNote{Who: whose(r), Why: r.PostFormValue("reason")}
	back := "/orders/" + url.PathEscape(r.PathValue("id"))
	if d, err := shop.ParseDay(r.PostFormValue("day")); err == nil {
		n.Slot = &alerts.Slot{Day: d, Bay: r.PostFormValue("bay"), Technician: r.PostFormValue("technician"), Service: r.PostFormValue("service") == "yes"}
		n.Until = d.Time(time.UTC)
	}
	o, err := s.deps.Floor.Step(r.Context(), r.PathValue("id"), alerts.Step(r.PostFormValue("step")), n)
	if err != nil {
		if words, is := refusal(err); is {
			return s.showOrder(w, r, http.StatusConflict, words)
		}
		return err
	}
	remember(w, r, n.Who)
	s.Changed(o.Unit)
	if r.PostFormValue("back") == "plan" {
		http.Redirect(w, r, "/plan?undone="+url.QueryEscape(o.ID)+"#said", http.StatusSeeOther)
		return nil
	}
	http.Redirect(w, r, back+"#desk", http.StatusSeeOther)
	return nil
}

type outcomePage struct {
	Order alerts.WorkOrder
	Unit  string
	Who   signer
	Fault string
	Was   *alerts.Outcome
	What  []string // families, in words
	Post  string   // where the script sends to
}

func (s *Server) outcome(w http.ResponseWriter, r *http.Request) error {
	return s.showOutcome(w, r, http.StatusOK, "", nil)
}

func (s *Server) showOutcome(w http.ResponseWriter, r *http.Request, status int, fault string, typed *alerts.Outcome) error {
	id := r.PathValue("id")
	o, _, err := s.deps.Floor.Order(r.Context(), id)
	if err != nil {
		return s.notThere(err, "work order", id)
	}
	p := outcomePage{Order: *o, Unit: o.Unit, Who: signerOf(r), Fault: fault, Was: typed, Post: "/api/v1/orders/" + url.PathEscape(o.ID) + "/outcomes"}
	if p.Was == nil && !o.Open() {
		p.Was = o.Last()
	}
	for _, a := range o.Alerts {
		if t := familyTitle(a.Family); !slices.Contains(p.What, t) {
			p.What = append(p.What, t)
		}
	}
	return s.show(w, r, status, "outcome", view{Title: "Unit " + o.Unit + ": outcome", Nav: "orders", Body: p})
}

// takeOutcome is for browsers without the script; with it, the outcome goes to the API.
func (s *Server) takeOutcome(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, 256<<10)
	v := r.PostFormValue
	out := alerts.Outcome{Key: v("key"), At: s.deps.Now(), Who: whose(r), Found: alerts.Found(v("found")), Complaint: v("complaint"), Cause: v("cause"),
		Correction: v("correction"), Other: v("other"), Parts: v("parts")}
	if out.Key == "" {
		out.Key = "form-" + s.deps.Now().UTC().Format(time.RFC3339Nano)
	}
	for name, to := range map[string]**float64{"hours": &out.Hours, "odometer_km": &out.OdometerKm} {
		if x, err := strconv.ParseFloat(strings.Replace(v(name), ",", ".", 1), 64); err == nil {
			*to = &x
		}
	}
	for name, to := range map[string]**bool{"codes_cleared": &out.CodesCleared, "reprogrammed": &out.Reprogrammed} {
		if x := v(name); x == "yes" || x == "no" {
			b := x == "yes"
			*to = &b
		}
	}
	o, err := s.deps.Floor.Finish(r.Context(), r.PathValue("id"), out)
	if err != nil {
		if words, is := refusal(err); is {
			return s.showOutcome(w, r, http.StatusUnprocessableEntity, words, &out)
		}
		return err
	}
	remember(w, r, out.Who)
	s.Changed(o.Unit)
	http.Redirect(w, r, "/orders/"+url.PathEscape(o.ID)+"#desk", http.StatusSeeOther)
	return nil
}

type shopPage struct {
	Facts    []shopRow
	Kinds    []shop.Kind
	Symptoms []string
	Families []string
	File     string
	Version  int
	Who      signer
	Tell     bool // the reader may add facts
	Decide   bool // the reader may put a file in force
	Fault    string
	Typed    url.Values
	Today    string
}

type shopRow struct {
	shop.Fact
	When moment
}

const factRows = 200 // newest facts on the page

func (s *Server) shop(w http.ResponseWriter, r *http.Request) error {
	return s.showShop(w, r, http.StatusOK, "")
}

func (s *Server) showShop(w http.ResponseWriter, r *http.Request, status int, fault string) error {
	list, err := s.deps.Floor.Facts(r.Context(), r.FormValue("of"))
	if err != nil {
		return err
	}
	p := shopPage{Kinds: shop.Kinds, Symptoms: shop.Symptoms, Families: shop.Families(), Who: signerOf(r), Tell: people.From(r.Context()).May(people.Work), Decide: people.From(r.Context()).May(people.Decide), Fault: fault, Typed: r.PostForm, Today: s.deps.Now().UTC().Format(time.DateOnly)}
	for _, f := range list[:min(len(list), factRows)] {
		p.Facts = append(p.Facts, shopRow{f, moment{f.At, s.zone(f.Unit)}})
	}
	if p.File, p.Version, err = s.deps.Floor.ShopFile(r.Context()); err != nil {
		return err
	}
	if typed := r.PostFormValue("file"); typed != "" {
		p.File = typed
	}
	return s.show(w, r, status, "shop", view{Title: "Shop floor", Nav: "orders", Body: p})
}

func (s *Server) takeFact(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, 64<<10)
	f := shop.Fact{At: s.deps.Now().UTC().Truncate(time.Second)}
	if err := f.SetAll(r.PostFormValue); err != nil {
		return s.showShop(w, r, http.StatusUnprocessableEntity, err.Error())
	}
	f.By = whose(r) // whoever signed in, whatever a form says
	if _, err := s.deps.Floor.TakeFact(r.Context(), f); err != nil {
		return s.showShop(w, r, http.StatusUnprocessableEntity, err.Error())
	}
	remember(w, r, f.By)
	http.Redirect(w, r, "/shop", http.StatusSeeOther)
	return nil
}

func (s *Server) takeFile(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, 1<<20)
	who := whose(r)
	if who == "" {
		return s.showShop(w, r, http.StatusUnprocessableEntity, "Say who puts the file in force.")
	}
	if _, err := s.deps.Floor.Install(r.Context(), strings.ReplaceAll(r.PostFormValue("file"), "\r\n", "\n"), who); err != nil {
		return s.showShop(w, r, http.StatusUnprocessableEntity, err.Error())
	}
	remember(w, r, who)
	http.Redirect(w, r, "/plan", http.StatusSeeOther)
	return nil
}

type reviewPage struct {
	From, Until string
	Review      any
	Fault       string
}

// review is the month that ended now, or the stretch asked for.
func (s *Server) review(w http.ResponseWriter, r *http.Request) error {
	now := s.deps.Now().UTC()
	p := reviewPage{From: now.AddDate(0, 0, -90).Format(time.DateOnly), Until: now.AddDate(0, 0, 1).Format(time.DateOnly)}
	if v := r.FormValue("from"); v != "" {
		p.From = v
	}
	if v := r.FormValue("until"); v != "" {
		p.Until = v
	}
	from, err1 := time.Parse(time.DateOnly, p.From)
	until, err2 := time.Parse(time.DateOnly, p.Until)
	status := http.StatusOK
	switch {
	case err1 != nil || err2 != nil || !until.After(from):
		p.Fault, status = "Give two days, the second after the first.", http.StatusUnprocessableEntity
	default:
		rev, err := s.deps.Floor.Review(r.Context(), from, until)
		if err != nil {
			return err
		}
		p.Review = rev
	}
	return s.show(w, r, status, "review", view{Title: "Review", Nav: "orders", Body: p})
}
