package analyze

// tuned is what a series takes from its cohort, until the day is over.
type tuned struct {
	cohort  *Cohort
	centre  float64 // common movement, upward positive
	centres int32   // series behind it
	day     int64   // ordinal
	cal     string
	from    *Parameters
	line    [levels]*parting
}

// tune takes the parameters in force at a time over from the cohort.
func (w *watch) tune(at int64, v *Vehicle) {
	t := &w.tuned
	day := dayOf(at)
	if t.cohort != nil && t.from == v.params && (v.params == nil || t.day == day && t.cal == w.epoch.cal) {
		return
	}
	if t.cohort == nil || t.from != v.params || t.cal != w.epoch.cal {
		t.cal, t.from = w.epoch.cal, v.params
		t.line = v.params.of(CohortKey{v.engine, t.cal, w.ecu, w.test})
	}
	t.day = day
	if t.cohort = v.params.cohortAt(t.line, at); t.cohort == nil {
		t.cohort = v.shipped(w.followed())
	}
	t.centre, t.centres = v.params.centreAt(t.line, at)
}

// leaning says what the series takes over.
func (w *watch) leaning(v *Vehicle) Leaning {
	t := &w.tuned
	if t.cohort == nil || t.cohort.Series == 0 {
		return Leaning{Parameters: Shipped}
	}
	return Leaning{Parameters: v.params.versionAt(w.last.freshAt), Name: t.cohort.Key.String(), Series: t.cohort.Series,
		Leans: t.cohort.Leans(), Common: t.centre}
}

// followed is the shipped correlation of what drift is looked for in.
func (w *watch) followed() float64 {
	if w.rule.Floor {
		return floorPhi
	}
	return w.rule.Phi
}

// own is the cohort of the results themselves: where drift is looked for in a floor, that of the floors says
// nothing of them.
func (w *watch) own(v *Vehicle) *Cohort {
	if w.rule.Floor {
		return v.shipped(w.rule.Phi)
	}
	return w.tuned.cohort
}

// shipped are the shipped figures for a family of that correlation.
func (v *Vehicle) shipped(phi float64) *Cohort {
	for i := range v.defaults {
		if v.defaults[i].Phi == phi {
			return v.defaults[i]
		}
	}
	c := shippedCohort(phi, v.set)
	v.defaults = append(v.defaults, &c)
	return &c
}
