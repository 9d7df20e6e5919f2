package analyze

import "math"

// explainedShare is how much of what a claim rests on the cohort's common movement must make up to explain it.
const explainedShare = 0.5

// furtherThan is how many results in a row beyond the gate end an explanation by the cohort: the unit has gone further.
const furtherThan = 3

// explain notes on standing claims what explains them without wear: what the whole cohort did, once its movement is
// known, a day or so after a claim that came with it; or the circumstances that the results far out have in common. An
// explanation ends when later results do not bear it out. A failed test is never explained: it sets a code whatever
// moved it.
func (w *watch) explain(v *Vehicle) {
	if !w.claimed() {
		w.aside = 0
		return
	}
	was, words := w.aside, ""
	w.aside, words = w.circumstances(was, v.set)
	for claim, n := range w.open {
		if n == 0 || claim == claimFailed {
			continue
		}
		s := &v.signals[n-1]
		if words == "" && was != 0 {
			s.Explained = ""
		}
		switch {
		case words != "":
			s.Explained = words
		case s.Explained == "" && claim != claimWild:
			s.Explained = w.moved(s, v)
		case s.Explained != "" && w.further(s, v):
			s.Explained = ""
		}
	}
}

// moved is what the cohort did, where that explains a claim; "" where it does not.
func (w *watch) moved(s *Signal, v *Vehicle) string {
	t := &w.tuned
	if math.Abs(t.centre) < movedShare {
		return ""
	}
	side, way := up, 1.0
	if s.Evidence.Toward == toward[down] {
		side, way = down, -1
	}
	st := &w.side[side]
	gate, ok := st.gate(v.set)
	if !st.on || !ok || st.used(st.prev) >= gate || way*t.centre < explainedShare*s.Evidence.Used {
		return ""
	}
	m := Movement{Cohort: t.cohort.Key, Units: int(t.centres), Since: s.RaisedAt, Most: t.centre}
	return m.String()
}

// further says whether the last results have all gone further than what explained a claim.
func (w *watch) further(s *Signal, v *Vehicle) bool {
	side := up
	if s.Evidence.Toward == toward[down] {
		side = down
	}
	st := &w.side[side]
	gate, ok := st.gate(v.set)
	return st.on && ok && st.n >= furtherThan && min(st.used(st.prev), st.used(st.past[0].x), st.used(st.past[1].x)) >= gate
}
