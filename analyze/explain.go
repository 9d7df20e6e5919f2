package analyze

import "math"

// explainedShare is how much of what a claim rests on the cohort's common movement must make up to explain it.
const explainedShare = 0.5

// explain notes on standing claims what the whole cohort did, once its movement is known: a day or so after a
// claim that came with it. A unit that has gone further than its cohort is not explained; nor is a failed
// test, which sets a code whatever moved it.
func (w *watch) explain(v *Vehicle) {
	t := &w.tuned
	if math.Abs(t.centre) < movedShare || !w.claimed() {
		return
	}
	for claim, n := range w.open {
		if n == 0 || claim == claimFailed || claim == claimWild {
			continue
		}
		s := &v.signals[n-1]
		side, way := up, 1.0
		if s.Evidence.Toward == toward[down] {
			side, way = down, -1
		}
		st := &w.side[side]
		gate, ok := st.gate(v.set)
		if s.Explained != "" || !st.on || !ok || st.used(st.prev) >= gate || way*t.centre < explainedShare*s.Evidence.Used {
			continue
		}
		m := Movement{Cohort: t.cohort.Key, Units: int(t.centres), Since: s.RaisedAt, Most: t.centre}
		s.Explained = m.String()
	}
}
