package dashboards

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"marginline/alerts"
	"marginline/alerts/schedule"
	"marginline/alerts/shop"
	"marginline/dashboards/people"
)

type planPage struct {
	Depots  []depotPlan
	Clashes []schedule.Clash
	Waiting []schedule.Waiting
	Fault   string
	Who     signer
	Decide  bool // the reader may accept and move
	Days    int
	Trial   *trialView // a move that is looked at before it is taken
	Moved   *movedView // a move that was taken, and how to take it back
	Undone  bool
	Asked   string // the parts of the address that stay: how many days
}

type depotPlan struct {
	Name  string
	Weeks []weekPlan
}

// A weekPlan is the open days of a calendar week.
type weekPlan struct {
	First shop.Day // its Monday
	Days  []dayPlan
}

type dayPlan struct {
	Day    shop.Day
	Load   schedule.Load
	Full   int // percent of what may be booked
	Visits []schedule.Visit
}

// A trialView is a trial with what the form needs.
type trialView struct {
	schedule.Trial
	NeedsWhy bool // the order has a day that a person chose, or the new one has no room
	Why      string
}

// A movedView is an order whose day was just chosen.
type movedView struct {
	Order alerts.WorkOrder
	Back  *alerts.Slot // where it was; nil where it had no day
}

func (s *Server) plan(w http.ResponseWriter, r *http.Request) error {
	return s.showPlan(w, r, http.StatusOK, "")
}

func (s *Server) showPlan(w http.ResponseWriter, r *http.Request, status int, fault string) error {
	p := planPage{Fault: fault, Who: signerOf(r), Days: 14, Decide: people.From(r.Context()).May(people.Decide)}
	if n, err := strconv.Atoi(r.FormValue("days")); err == nil && n >= 1 && n <= 366 {
		p.Days, p.Asked = n, "&days="+strconv.Itoa(n)
	}
	plan, err := s.deps.Floor.Plan(r.Context(), p.Days, nil)
	if err != nil {
		p.Fault = strings.TrimSpace(p.Fault + " " + err.Error())
		return s.show(w, r, status, "plan", view{Title: "Plan", Nav: "orders", Body: p})
	}
	p.Clashes, p.Waiting, p.Depots = plan.Clashes, plan.Waiting, weeksOf(plan)
	if job, day := r.FormValue("move"), r.FormValue("to"); job != "" {
		if p.Trial, err = s.tried(r, job, day); err != nil {
			words, is := refusal(err)
			if !is {
				return err
			}
			p.Fault = strings.TrimSpace(p.Fault + " " + words)
		}
	}
	if id := r.FormValue("moved"); id != "" {
		p.Moved = s.moved(r, id)
	}
	p.Undone = r.FormValue("undone") != ""
	return s.show(w, r, status, "plan", view{Title: "Plan", Nav: "orders", Live: "*", Body: p})
}

func weeksOf(plan *schedule.Plan) []depotPlan {
	var out []depotPlan
	for _, l := range plan.Loads {
		i := slices.IndexFunc(out, func(d depotPlan) bool { return d.Name == l.Depot })
		if i < 0 {
			out = append(out, depotPlan{Name: l.Depot})
			i = len(out) - 1
		}
		d := dayPlan{Day: l.Day, Load: l}
		if most := l.Hours - l.Promised; most > 0 {
			d.Full = int(100*l.Booked/most + 0.5)
		}
		for _, v := range plan.Visits {
			if v.Depot == l.Depot && v.Day == l.Day {
				d.Visits = append(d.Visits, v)
			}
		}
		monday := l.Day - shop.Day((int(l.Day.Weekday())+6)%7)
		weeks := out[i].Weeks
		if len(weeks) == 0 || weeks[len(weeks)-1].First != monday {
			weeks = append(weeks, weekPlan{First: monday})
		}
		last := &weeks[len(weeks)-1]
		last.Days = append(last.Days, d)
		out[i].Weeks = weeks
	}
	return out
}

// tried looks what a move would do. The days of a request are those of the plan.
func (s *Server) tried(r *http.Request, job, to string) (*trialView, error) {
	day, err := shop.ParseDay(to)
	if err != nil {
		return nil, fmt.Errorf("choose a day, such as 2026-05-29: %w", alerts.ErrInput)
	}
	who := whose(r)
	if who == "" {
		who = "You"
	}
	t, err := s.deps.Floor.Try(r.Context(), job, day, who, r.FormValue("reason"))
	if err != nil {
		return nil, err
	}
	v := &trialView{Trial: *t, Why: r.FormValue("reason"), NeedsWhy: t.Clash != nil}
	if t.Was != nil && t.Was.Kind == schedule.ByPerson && t.Was.Day != day {
		v.NeedsWhy = true
	}
	return v, nil
}

// moved is what the page says after a move, with the day before it from the history of the order.
func (s *Server) moved(r *http.Request, id string) *movedView {
	o, history, err := s.deps.Floor.Order(r.Context(), id)
	if err != nil || o.Slot == nil {
		return nil // given back meanwhile: nothing to say
	}
	m := &movedView{Order: *o}
	last := false
	for _, e := range slices.Backward(history) {
		var slot alerts.Slot
		if e.To == alerts.OrderScheduled && json.Unmarshal(e.Body, &slot) == nil && slot.Day != 0 {
			if last {
				m.Back = &slot
				break
			}
			last = true
		} else if last && e.To != alerts.OrderScheduled {
			break // it had no day before
		}
	}
	return m
}

// accept takes a proposal.
func (s *Server) accept(w http.ResponseWriter, r *http.Request) error {
	who := whose(r)
	o, err := s.deps.Floor.Accept(r.Context(), r.PathValue("job"), who)
	return s.chosen(w, r, o, err)
}

// move takes a day for a job.
func (s *Server) move(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, 16<<10)
	day, err := shop.ParseDay(r.PostFormValue("to"))
	if err != nil {
		return s.showPlan(w, r, http.StatusUnprocessableEntity, "Choose a day, such as 2026-05-29.")
	}
	o, err := s.deps.Floor.Move(r.Context(), r.PathValue("job"), day, whose(r), r.PostFormValue("reason"))
	return s.chosen(w, r, o, err)
}

// chosen goes back to the plan, which says what was decided and offers to take it back.
func (s *Server) chosen(w http.ResponseWriter, r *http.Request, o *alerts.WorkOrder, err error) error {
	if err != nil {
		if words, is := refusal(err); is {
			return s.showPlan(w, r, http.StatusConflict, words)
		}
		return err
	}
	remember(w, r, whose(r))
	s.Changed(o.Unit)
	http.Redirect(w, r, "/plan?moved="+url.QueryEscape(o.ID)+"#said", http.StatusSeeOther)
	return nil
}
