package alerts

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"marginline/alerts/knowledge"
	"marginline/analyze"
	"marginline/ingest/fleet"
)

// A Sheet is a work order ready to be drawn or printed. Its fields stand in the order of printing: safety
// comes before everything that is to be done.
type Sheet struct {
	Order        WorkOrder
	Depot        string
	EngineFamily string
	Fuel         string
	Zone         *time.Location // of the depot, for dates

	Safety    []knowledge.Caution
	Deference string

	Recent     []string // shop work shortly before: look there first
	Complaint  []string // one sentence an alert
	Evidence   []Evidence
	Confounds  []string // what else moves the results, and under which conditions the tests run
	DoNotClear string
	Steps      []SheetStep
	Equipment  []string
	Needs      []string // of the bay, the fuel level, the soak
	Hours      []string
	Proof      []string // what shows that it is fixed
	Warranty   []string
	Sources    []string // marks of the facts used
}

// A SheetStep is one thing to do, with a box to tick.
type SheetStep struct {
	For  string         `json:"for"` // title of the family; "" for the common first steps
	Kind knowledge.Kind `json:"kind"`
	Do   string         `json:"do"`
	Pass string         `json:"pass"`
}

// NewSheet draws a work order up from the knowledge base; kb nil is the built-in one. Alerts that no longer
// stand are left out while others do.
func NewSheet(o WorkOrder, u fleet.Unit, kb *knowledge.Base) Sheet {
	if kb == nil {
		kb = knowledge.Builtin()
	}
	s := Sheet{
		Order: o, Depot: u.Depot, EngineFamily: u.EngineFamily, Fuel: u.Fuel, Zone: zoneOf(u.TimeZone),
		Deference: kb.Common.Deference, DoNotClear: kb.Common.DoNotClear,
	}
	on := slices.DeleteFunc(slices.Clone(o.Alerts), func(a Alert) bool { return o.Open() && !a.State.Standing() })
	var entries []*knowledge.Entry
	var shared []string
	for _, a := range on {
		e := kb.For(a.Family, a.Tests[0])
		for _, w := range a.RecentWork {
			s.Recent = once(s.Recent, day(w.At, s.Zone)+": "+w.Words+".")
		}
		s.Complaint = append(s.Complaint, complaint(&a, e, s.Zone))
		if a.OneJob != "" {
			shared = once(shared, a.OneJob[strings.LastIndex(a.OneJob, "; ")+2:])
		}
		s.Evidence = append(s.Evidence, a.Evidence...)
		if !slices.Contains(entries, e) {
			entries = append(entries, e)
		}
	}
	for _, cause := range shared {
		s.Complaint = append(s.Complaint, "Look for a shared cause first: "+cause)
	}
	if len(entries) == 0 {
		entries = append(entries, kb.For("", "")) // never a sheet without cautions
	}
	var safety, common, equipment []string
	for _, e := range entries {
		safety, common = append(safety, e.Safety...), append(common, e.Common...)
		s.Confounds = once(s.Confounds,
			fmt.Sprintf("%s, what else moves the result: %s.", e.Title, strings.Join(e.Confounders, "; ")),
			fmt.Sprintf("%s, the test runs: %s.", e.Title, strings.Join(e.Conditions, "; ")))
		s.Needs = once(s.Needs, e.Needs...)
		s.Hours = once(s.Hours, fmt.Sprintf("%s: check %.1f to %.1f h; repair by finding: %s h.", e.Title, e.Hours.Check[0], e.Hours.Check[1], e.Hours.Repair))
		s.Proof = once(s.Proof, fmt.Sprintf("%s: %d fresh results near the old healthy level (%s; usually %s).", e.Title, e.Proof.Runs, e.Proof.Conditions, e.Proof.Typical))
		s.Sources = once(s.Sources, strings.Split(e.Source, "; ")...)
	}
	s.Warranty = hints(entries, &u)
	s.Safety = kb.Cautions(safety)
	for _, st := range kb.CommonSteps(common) {
		s.Steps = append(s.Steps, SheetStep{Kind: st.Kind, Do: st.Do, Pass: st.Pass})
		equipment = once(equipment, st.Equipment...)
	}
	for _, e := range entries {
		for _, st := range e.Steps {
			s.Steps = append(s.Steps, SheetStep{For: e.Title, Kind: st.Kind, Do: st.Do, Pass: st.Pass})
			equipment = once(equipment, st.Equipment...)
		}
	}
	for _, id := range equipment {
		s.Equipment = append(s.Equipment, kb.Common.Equipment[id])
	}
	return s
}

// InBy is when the unit should be in the shop, in words.
func (s Sheet) InBy() string {
	now := func(a Alert) bool {
		return onOrder(a.State) && (a.Kind == analyze.Failed || a.Kind == analyze.Surprise || a.Kind == Reported || a.Consequence == Stop)
	}
	switch {
	case slices.ContainsFunc(s.Order.Alerts, now):
		return "now: a test has failed or a code is stored"
	case s.Order.DueBy != nil:
		return day(*s.Order.DueBy, s.Zone)
	}
	return "no date: within 30 days or at the next PM service, whichever is first"
}

// once appends what is not there yet.
func once(list []string, items ...string) []string {
	for _, it := range items {
		if it != "" && !slices.Contains(list, it) {
			list = append(list, it)
		}
	}
	return list
}

// complaint is the sentence for the order of a unit whose driver complains of nothing.
func complaint(a *Alert, e *knowledge.Entry, zone *time.Location) string {
	since := a.RaisedAt
	if a.DriftSince != nil {
		since = *a.DriftSince
	}
	on := day(since, zone)
	switch a.Kind {
	case Reported:
		return fmt.Sprintf("Reported on %s: %s; inspect per the attached steps before the unit moves.", day(a.claim().ClaimedAt, zone), a.claim().Name)
	case analyze.Surprise:
		return fmt.Sprintf("Code %s stored on %s without an earlier warning (%s); diagnose per the attached steps.", a.Tests[0], on, e.Title)
	case analyze.Failed:
		return fmt.Sprintf("No driver complaint known. Self-test failed on %s (%s); inspect per the attached steps.", day(latest(a.claim().RaisedAt, a.claim().ClaimedAt), zone), e.Title)
	case analyze.Jump:
		return fmt.Sprintf("No driver complaint. Self-test margin fell suddenly on %s (%s); inspect per the attached steps.", on, e.Title)
	case analyze.Intermittent:
		return fmt.Sprintf("No driver complaint. Self-test results have come and gone since %s (%s); inspect per the attached steps.", on, e.Title)
	case analyze.NotRunning:
		return fmt.Sprintf("No driver complaint. Self-test no longer runs, noticed on %s (%s); find out why.", on, e.Title)
	}
	return fmt.Sprintf("No driver complaint. Self-test margin has been shrinking since %s (%s); inspect per the attached steps.", on, e.Title)
}

// hints are the warranty hints of some entries, those with the same words in one.
func hints(entries []*knowledge.Entry, u *fleet.Unit) []string {
	var words []string
	titles := map[string][]string{}
	for _, e := range entries {
		w := warranty(e, u)
		words = once(words, w)
		titles[w] = append(titles[w], e.Title)
	}
	for i, w := range words {
		words[i] = strings.Join(titles[w], "; ") + ": " + w
	}
	return words
}

// warranty is a hint to look before anything is bought. It decides nothing.
//
// Source: 40 CFR 85.2103 for light vehicles, from memory. Heavy engines have terms in years, miles and
// hours that changed by model year.
func warranty(e *knowledge.Entry, u *fleet.Unit) string {
	years, miles := 2, "24,000"
	if e.Warranty == "major" {
		years, miles = 8, "80,000"
	}
	const trend = "A trend alone is usually no claim; a defect that is found is."
	if u.WeightClass == "medium" || u.WeightClass == "heavy" || u.WeightClass == "" && fuelOf(u) == "diesel" {
		return "ask the engine maker for the emission warranty (years, miles, hours) before buying parts. " + trend
	}
	s := fmt.Sprintf("federal emission cover of light vehicles for this part class runs %d years or %s miles, whichever is first", years, miles)
	if !u.InService.IsZero() {
		s += fmt.Sprintf(" (in service %s, so to %s at the latest)", u.InService.Format("2 Jan 2006"), u.InService.AddDate(years, 0, 0).Format("2 Jan 2006"))
	}
	return s + ". Check before buying parts. " + trend
}

// Line is the evidence in one line.
func (v Evidence) Line(zone *time.Location) string {
	parts := []string{fmt.Sprintf("%s [%s, ecu %s]: %s", v.Name, v.Test, v.ECU, kindLine[v.Kind])}
	if v.Value != nil {
		parts = append(parts, "value "+quantity(v.Value, v.UnitOfMeasure))
	}
	if v.Limit != nil {
		parts = append(parts, limitWord(v.Toward)+" "+quantity(v.Limit, v.UnitOfMeasure))
	}
	if v.Baseline != nil {
		parts = append(parts, "healthy level "+quantity(v.Baseline, v.UnitOfMeasure))
	}
	if v.Margin != nil {
		parts = append(parts, "margin left "+percent(*v.Margin))
	}
	if v.Used != nil {
		parts = append(parts, "way to the limit used "+percent(*v.Used))
	}
	if v.Since != nil {
		parts = append(parts, "since no later than "+day(*v.Since, zone))
	}
	if v.ReadAt != nil {
		parts = append(parts, "newest reading "+day(*v.ReadAt, zone))
	}
	return strings.Join(parts, "; ") + "."
}

var kindLine = map[analyze.Kind]string{
	analyze.Drift: "drifts to its limit", analyze.Jump: "jumped", analyze.Imminent: "limit is near",
	analyze.Failed: "failed", analyze.Intermittent: "comes and goes", analyze.Surprise: "code without a warning",
	analyze.NotRunning: "no longer runs", Reported: "reported",
}
