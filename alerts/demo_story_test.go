package alerts_test

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	_ "modernc.org/sqlite"

	"marginline/alerts"
	"marginline/alerts/review"
	"marginline/alerts/schedule"
	"marginline/alerts/shop"
	"marginline/analyze"
	"marginline/ingest/fleet"
	"marginline/ingest/fleetsim"
	"marginline/ingest/obd"
	"marginline/ingest/report"
	"marginline/ingest/series"
)

// The stories again, from the bytes of dongles on: the demo fleet is decoded, folded by the detector, and triaged,
// under three seeds, with units renumbered and ends of the history in other seasons and on other weekdays. What a
// fleet shows by chance differs between seeds; what must be so for each is asked here.
type yard struct {
	t      *testing.T
	end    time.Time
	roster *fleet.Roster
	now    map[string]string // unit of the demo's script: its number here
	polls  []*series.Poll    // in the order received
	strays map[string]int    // reports whose VIN and dongle belong to different units, by dongle
	runner *analyze.Runner
	book   *alerts.Book
	desk   alerts.Desk
	plan   *schedule.Plan
	all    []alerts.Alert
}

// decoder gives the detector what the real decoder knows.
type decoder struct{}

func (decoder) Family(r *series.Result) string { return known(obd.Family(r)) }
func (decoder) CodeFamily(code string) string  { return known(obd.CodeFamily(code)) }
func (decoder) Group(r *series.Result) int     { return obd.Group(r) }
func (decoder) Test(test string) string        { return obd.TestName(test) }

func known(family string) string {
	if family == "unknown" || family == "reserved" || family == "manufacturer" {
		return ""
	}
	return family
}

func pollOf(r *report.Report) *series.Poll {
	msgs := make([]obd.Message, len(r.Messages))
	for i, m := range r.Messages {
		msgs[i] = obd.Message{From: m.From, PGN: m.PGN, Data: m.Data}
	}
	d := obd.Decode(r.Bus, msgs, nil)
	return &series.Poll{ReportID: r.ID, Device: r.Device, VIN: r.VIN, Bus: r.Bus, ReadAt: r.Time, Received: r.Received,
		ClockOK: r.Time.Year() >= 2000 && r.Time.Before(r.Received.Add(24*time.Hour)), Context: d.Context, Results: d.Results(), Codes: d.Codes()}
}

// history is what was stored, read back in the order of the readings.
type history []*series.Poll

func (h history) Replay(ctx context.Context, q series.Replay) error {
	polls := slices.Clone(h)
	slices.SortStableFunc(polls, func(a, b *series.Poll) int {
		return cmp.Or(a.ReadAt.Compare(b.ReadAt), cmp.Compare(a.ReportID, b.ReportID))
	})
	for _, p := range polls {
		if !p.ClockOK || !q.Until.IsZero() && p.ReadAt.After(q.Until) || !slices.Contains(q.VINs, p.VIN) && !slices.Contains(q.Devices, p.Device) {
			continue
		}
		if unit := q.Unit(p.VIN, p.Device); unit >= 0 {
			if err := q.Each(unit, p); err != nil {
				return err
			}
		}
	}
	return ctx.Err()
}

func runnerOf(t *testing.T, h analyze.History, roster *fleet.Roster) *analyze.Runner {
	t.Helper()
	return analyze.NewRunner(h, func() *fleet.Roster { return roster }, decoder{}, analyze.DefaultSettings(), slog.New(slog.NewTextHandler(io.Discard, nil)))
}

func newYard(t *testing.T, seed uint64, end time.Time) *yard {
	t.Helper()
	f, err := fleetsim.New(fleetsim.Config{Seed: seed, End: end, Scenario: "demo", Delivery: true, Repairs: true})
	if err != nil {
		t.Fatal(err)
	}
	scripted, err := f.Roster()
	if err != nil {
		t.Fatal(err)
	}
	y := &yard{t: t, end: end, now: map[string]string{}, strays: map[string]int{}}
	rng := rand.New(rand.NewPCG(seed, 77))
	base, place := 100*(1+rng.IntN(80)), rng.Perm(len(scripted.Units()))
	var units []fleet.Unit
	for i, u := range scripted.Units() {
		v := *u
		v.Unit = fmt.Sprint(base + place[i])
		y.now[u.Unit] = v.Unit
		units = append(units, v)
	}
	if y.roster, err = fleet.New(units); err != nil {
		t.Fatal(err)
	}
	for s := range f.Reports() {
		p := pollOf(s.Report)
		if _, err := y.roster.Resolve(p.VIN, p.Device); err != nil {
			y.strays[p.Device]++
			continue // the quarantine has it
		}
		y.polls = append(y.polls, p)
	}
	y.runner = runnerOf(t, history(y.polls), y.roster)
	if err := y.runner.Rebuild(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("sqlite", "file:"+filepath.Join(t.TempDir(), "state.db"))
	if err != nil {
		t.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	t.Cleanup(func() { db.Close() })
	if y.book, err = alerts.OpenBook(t.Context(), db, slog.New(slog.DiscardHandler), nil); err != nil {
		t.Fatal(err)
	}
	y.book.SetClock(func() time.Time { return y.end })
	for _, u := range y.roster.Units() {
		list := alerts.Derive(alerts.Case{Unit: *u, Signals: y.runner.Signals(u.Unit), Series: y.runner.Series(u.Unit), Names: decoder{}})
		if _, err := y.book.Sync(t.Context(), u.Unit, list); err != nil {
			t.Fatal(err)
		}
		y.desk.Units = append(y.desk.Units, *u)
	}
	if y.all, err = y.book.List(t.Context(), true); err != nil {
		t.Fatal(err)
	}
	y.desk.Now, y.desk.Days, y.desk.Alerts = end, 84, slices.DeleteFunc(slices.Clone(y.all), func(a alerts.Alert) bool { return !a.State.Standing() })
	if y.desk.File, err = shop.ReadFile(strings.NewReader(`depots:
  - {name: Tannery Row, time_zone: UTC, bays: [{name: "1", kinds: [lift, vapour_safe]}, {name: "2", kinds: [lift]}, {name: "3"}], open: {mon: 9, tue: 9, wed: 9, thu: 9, fri: 9, sat: 5},
     technicians: [{name: Wes, skills: [evap, exhaust, engine, electrical]}, {name: Marisol, skills: [aftertreatment, engine, exhaust, electrical]}]}
  - {name: Saltgate, time_zone: UTC, bays: [{name: A, kinds: [lift, vapour_safe]}, {name: B, kinds: [lift]}], open: {mon: 9, tue: 9, wed: 9, thu: 9, fri: 9},
     technicians: [{name: Ines, skills: [evap, exhaust, engine, electrical]}, {name: Orrin, skills: [aftertreatment, engine, exhaust, electrical]}]}
`)); err != nil {
		t.Fatal(err)
	}
	if y.plan, err = y.desk.Plan(); err != nil {
		t.Fatal(err)
	}
	return y
}

func (y *yard) day(d float64) time.Time { return y.end.Add(time.Duration(d * 24 * float64(time.Hour))) }

// of are the alerts of a unit, standing or not.
func (y *yard) of(unit string) (list []alerts.Alert) {
	for _, a := range y.all {
		if a.Unit == y.now[unit] {
			list = append(list, a)
		}
	}
	return list
}

// standing is the one standing alert of a family of a unit.
func (y *yard) standing(unit, family string) *alerts.Alert {
	y.t.Helper()
	for _, a := range y.of(unit) {
		if a.Family == family && a.State.Standing() {
			return &a
		}
	}
	y.t.Errorf("%s has no standing alert of %s: %+v", unit, family, y.of(unit))
	return nil
}

// visit is the proposed visit of a unit for a job, counted in days from now; -1 when there is none.
func (y *yard) visit(unit string) (v schedule.Visit, day int) {
	for _, v := range y.plan.Visits {
		if v.Unit == y.now[unit] && v.Job != "" {
			return v, int(v.Day - shop.DayOf(y.end, time.UTC))
		}
	}
	return v, -1
}

func TestStoriesFromTheBytesOn(t *testing.T) {
	for i, end := range []time.Time{
		time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC), time.Date(2026, 10, 14, 7, 30, 0, 0, time.UTC), time.Date(2027, 3, 5, 11, 0, 0, 0, time.UTC),
	} {
		t.Run(fmt.Sprint("seed ", i+1), func(t *testing.T) {
			t.Parallel()
			newYard(t, uint64(i+1), end).stories()
		})
	}
}

func (y *yard) stories() {
	t := y.t
	// 1: the PM service is pulled forward to before the bound, inside its early window, and the check rides along. Where
	// the noise of a seed put the bound at today, it comes in at once.
	if a := y.standing("1107", "evap"); a != nil {
		v, day := y.visit("1107")
		reached := a.LimitAt != nil && a.LimitAt.P10 != nil && a.LimitAt.P10.Before(y.day(2))
		switch {
		case a.Consequence != alerts.Compliance || day < 0 || day > 9:
			t.Errorf("1107: %s, visit %+v on day %d", a.Consequence, v, day)
		case v.Kind == schedule.PullForward:
			if v.Service == "" || !reached && a.LimitAt != nil && a.LimitAt.P10 != nil && !v.Day.Time(time.UTC).Before(*a.LimitAt.P10) {
				t.Errorf("1107: %+v after %v", v, a.LimitAt.P10)
			}
		case !reached:
			t.Errorf("1107: %+v, and the limit may come on %v", v, a.LimitAt)
		}
	}

	// 2: the after-treatment falls fast: an own visit.
	if a := y.standing("3304", "nox_catalyst_scr"); a != nil {
		if v, day := y.visit("3304"); a.Consequence != alerts.RoadCall || v.Kind != schedule.OwnVisit || day < 0 || day > 6 {
			t.Errorf("3304: %s, visit %+v on day %d", a.Consequence, v, day)
		}
	}

	// 3: the moved dongle: both are silent, nothing of it came into a baseline.
	if y.strays["dgl-1116"] == 0 {
		t.Error("no report of the moved dongle was kept out")
	}
	for _, unit := range []string{"1113", "1116"} {
		if last := y.runner.LastPoll(y.now[unit]); last.After(y.day(-2.9)) {
			t.Errorf("%s: reports of the moved dongle were folded, the last of %s", unit, last)
		}
		for _, a := range y.of(unit) {
			if a.RaisedAt.After(y.day(-3)) {
				t.Errorf("%s: %+v", unit, a)
			}
		}
	}

	// 4: fills on the evenings of a hot week are no work order.
	for _, unit := range []string{"1103", "1109", "1119"} {
		for _, a := range y.of(unit) {
			if a.Family == "evap" && a.State.Standing() && a.State != alerts.Explained && a.Kind != analyze.NotRunning {
				t.Errorf("%s: %s %s %s", unit, a.Kind, a.State, a.Reason)
			}
		}
	}

	// 5: a code without a warning is said to be one, and the unit comes in at once.
	if a := y.standing("2208", "misfire"); a != nil {
		if v, day := y.visit("2208"); a.Kind != analyze.Surprise || v.Kind != schedule.OwnVisit || day < 0 || day > 3 || !strings.Contains(a.Reason, "without an earlier warning") {
			t.Errorf("2208: %s, visit on day %d: %s", a.Kind, day, a.Reason)
		}
	}

	// 6: new limits after a reflash are a mark on the chart and no alert.
	courses, err := y.runner.Traces(t.Context(), y.now["1111"])
	if err != nil {
		t.Fatal(err)
	}
	marked := 0
	for _, tr := range courses {
		for _, p := range tr.Points {
			if strings.Contains(p.Restart, "learnt anew") && p.At.After(y.day(-59)) {
				marked++
			}
		}
	}
	if list := y.of("1111"); marked < 3 || slices.ContainsFunc(list, func(a alerts.Alert) bool { return a.Kind != analyze.NotRunning }) {
		t.Errorf("1111: %d series are marked, %+v", marked, list)
	}

	y.outage()
	y.cleared()

	// 11: the warranty of the part class is about to end: go before.
	if a := y.standing("1105", "catalyst"); a != nil {
		v, day := y.visit("1105")
		if a.Consequence != alerts.Compliance || day < 0 || day >= 61 {
			t.Errorf("1105: %s, visit %+v on day %d", a.Consequence, v, day)
		}
	}

	// 12: several of one engine family drift where the others do not.
	at := slices.IndexFunc(review.Campaigns(y.all, y.roster.Units(), y.end), func(c review.Campaign) bool { return c.EngineFamily == "MD-48" && c.Family == "egr" })
	if at < 0 {
		t.Errorf("no campaign for the EGR of MD-48: %+v", review.Campaigns(y.all, y.roster.Units(), y.end))
	} else {
		c := review.Campaigns(y.all, y.roster.Units(), y.end)[at]
		for _, unit := range []string{"2202", "2204", "2212"} {
			if !slices.Contains(c.Units, y.now[unit]) {
				t.Errorf("the campaign lacks %s: %+v", unit, c)
			}
		}
	}

	// 13: what does not run is not protected, and no work order.
	if list := y.of("1115"); !slices.ContainsFunc(list, func(a alerts.Alert) bool {
		return a.Kind == analyze.NotRunning && a.Family == "evap" && strings.Contains(a.Reason, "not protected")
	}) {
		t.Errorf("1115: %+v", list)
	} else if v, _ := y.visit("1115"); v.Job != "" {
		t.Errorf("1115: %+v", v)
	}

	y.wrongRepair()
}

// outage: a backlog that arrives shuffled and doubled ends in the state of the same readings in order, and until it
// arrived the unit was silent.
func (y *yard) outage() {
	t := y.t
	unit := y.roster.Unit(y.now["2205"])
	one, err := fleet.New([]fleet.Unit{*unit})
	if err != nil {
		t.Fatal(err)
	}
	var mine []*series.Poll
	var newest time.Time // of what had come in on day -29
	for _, p := range y.polls {
		if p.VIN == unit.VIN && p.ClockOK {
			mine = append(mine, p)
			if p.Received.Before(y.day(-29)) && p.ReadAt.After(newest) {
				newest = p.ReadAt
			}
		}
	}
	if newest.IsZero() || newest.After(y.day(-38)) {
		t.Errorf("2205: on day -29 the newest reading was of %s, which is not silent", newest)
	}
	arrived := runnerOf(t, history(mine), one)
	for part := range slices.Chunk(mine, 50) {
		if err := arrived.Take(t.Context(), part); err != nil {
			t.Fatal(err)
		}
	}
	ordered := slices.Clone(mine)
	slices.SortStableFunc(ordered, func(a, b *series.Poll) int {
		return cmp.Or(a.ReadAt.Compare(b.ReadAt), cmp.Compare(a.ReportID, b.ReportID))
	})
	if slices.Equal(ordered, mine) {
		t.Error("2205: nothing arrived out of order")
	}
	ordered = slices.CompactFunc(ordered, func(a, b *series.Poll) bool { return a.ReportID == b.ReportID })
	straight := runnerOf(t, history(ordered), one)
	if err := straight.Take(t.Context(), ordered); err != nil {
		t.Fatal(err)
	}
	for _, r := range []*analyze.Runner{arrived, straight} {
		if _, err := r.Settle(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if arrived.Digest() != straight.Digest() {
		t.Error("2205: the backlog ends in another state")
	}
}

// cleared: codes were cleared yesterday, the inspection is in two days: what has not run again is named, and where it will
// not have by then the unit is likely to be rejected; the zeros are no results.
func (y *yard) cleared() {
	t := y.t
	unit := y.roster.Unit(y.now["1120"])
	courses, err := y.runner.Traces(t.Context(), unit.Unit)
	if err != nil {
		t.Fatal(err)
	}
	f := alerts.Foresee(*unit, alerts.Cleared{At: y.day(-1.2)}, courses, y.end)
	if f == nil || f.Ready == 0 || f.Ready >= f.Of || !strings.Contains(f.Words, fmt.Sprintf("%d of %d groups", f.Ready, f.Of)) {
		t.Fatalf("1120: %+v", f)
	}
	ran := map[string]bool{} // of the two tests that need a soak or a long warm drive, not both have run again
	for _, x := range f.Families {
		ran[x.Family] = x.Ran
	}
	if late := f.ReadyBy == nil || f.ReadyBy.After(unit.InspectionDue); ran["evap"] && ran["catalyst"] || f.Rejected && !late {
		t.Errorf("1120: %+v", f)
	}
	for k, tr := range courses {
		for _, p := range tr.Points {
			if p.At.After(y.day(-1.2)) && p.Value == 0 && tr.Now.State == series.StateNotRun {
				t.Errorf("1120: %s: a zero after the clear is plotted as a result", k.Test)
			}
		}
	}
}

// wrongRepair: a sensor is replaced for a leak; the next runs are as bad, and the order is open again.
func (y *yard) wrongRepair() {
	t, ctx := y.t, y.t.Context()
	a := y.standing("3302", "boost")
	if a == nil {
		return
	}
	o, err := y.book.Order(ctx, a.ID, "Odalys", y.day(-41))
	if err != nil {
		t.Fatal(err)
	}
	no := false
	if _, err = y.book.Finish(ctx, o.ID, alerts.Outcome{Key: "k", At: y.day(-40), Who: "Wes", Found: alerts.FoundCause, Cause: "sensor reads low",
		Correction: "sensor replaced", CodesCleared: &no, Reprogrammed: &no}); err != nil {
		t.Fatal(err)
	}
	if o, err = y.book.OrderByID(ctx, o.ID); err != nil {
		t.Fatal(err)
	}
	courses, err := y.runner.Traces(ctx, o.Unit)
	if err != nil {
		t.Fatal(err)
	}
	v := alerts.Prove(alerts.Repair{At: o.Last().At, Tests: o.Tests(), Courses: courses, Unit: o.Unit, Newest: y.runner.LastPoll(o.Unit), Now: y.end, Names: decoder{}}, o.FamilyOf, nil)
	if o, err = y.book.Judge(ctx, o.ID, v); err != nil || v.State != alerts.ProofNotRecovered || !o.Open() || o.Comebacks != 1 {
		t.Errorf("3302: %s %+v %v", o.State, v, err)
	}
}
