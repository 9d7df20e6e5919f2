package dashboards

import (
	"context"
	"math"
	"time"

	"marginline/ingest/series"
)

// Background answers what stood around the results of a series: the conditions they were read under, and how
// the same test runs on units like it.
type Background interface {
	// Conditions returns the values of the named columns of the view reports for each report of a unit, by report
	// id and in the order of the names. NaN where one was not read.
	Conditions(ctx context.Context, unit string, columns []string) (map[string][]float64, error)
	// Peers returns the weeks of a test on the other units of the same engine family whose limits are those given,
	// the oldest first.
	Peers(ctx context.Context, of Peers) ([]PeerWeek, error)
}

// Peers names the series whose peers are asked for. A limit that is NaN is absent.
type Peers struct {
	Key      series.Key
	Min, Max float64
	Since    time.Time
}

// A PeerWeek is a week of a test on units like one: each unit counts once, with the median of its week. Low, Mid
// and High are the tenth, the fiftieth and the ninetieth percentile of the units.
type PeerWeek struct {
	From           time.Time // a Monday, UTC
	Units          int
	Low, Mid, High float64
}

// fewPeers is below how many units a week of peers is not shown: its percentiles would be single units.
const fewPeers = 5

// A quantity is a condition that a reader may lay beside a course.
type quantity struct {
	Column string // of the view reports
	Name   string
	UCUM   string
}

// quantities are offered in this order; the first three are those whose effect the detector takes out.
var quantities = []quantity{
	{"fuel_level_pct", "fuel level", "%"}, {"ambient_c", "ambient temperature", "Cel"}, {"barometric_kpa", "barometric pressure", "kPa"},
	{"coolant_c", "coolant temperature", "Cel"}, {"run_time_s", "time since engine start", "s"}, {"odometer_km", "odometer", "km"},
	{"warmups_since_clear", "warm-ups since codes were cleared", "1"}, {"distance_since_clear_km", "distance since codes were cleared", "km"},
}

// surround lays the chosen conditions beside the dots, in the units of the reader. What cannot be read is
// said in words, and the course is shown without it.
func (s *Server) surround(ctx context.Context, unit string, ds []dot, with []quantity) (shown []quantity, fault string) {
	if len(with) == 0 || s.deps.Background == nil {
		return nil, ""
	}
	columns := make([]string, len(with))
	for i, q := range with {
		columns[i] = q.Column
	}
	by, err := s.deps.Background.Conditions(ctx, unit, columns)
	if err != nil {
		s.log.Warn("conditions of a course", "unit", unit, "err", err)
		return nil, "The conditions could not be read just now; the service's log has the reason."
	}
	scale := make([]customary, len(with))
	for i, q := range with {
		scale[i] = customary{q.UCUM, 1, 0}
		if c, ok := customaryUnits[q.UCUM]; ok && s.reader.us {
			scale[i] = c
		}
		shown = append(shown, quantity{q.Column, q.Name, scale[i].ucum})
	}
	for i := range ds {
		ds[i].With = make([]float64, len(with))
		read := by[ds[i].ReportID]
		for k := range with {
			ds[i].With[k] = math.NaN()
			if k < len(read) {
				ds[i].With[k] = read[k]*scale[k].scale + scale[k].offset
			}
		}
	}
	return shown, ""
}

// peers are the weeks of units like one, in the units of the reader; none where nobody can tell.
func (s *Server) peers(ctx context.Context, key series.Key, ds []dot) []PeerWeek {
	if s.deps.Background == nil || len(ds) == 0 {
		return nil
	}
	by, err := s.traces.unit(ctx, key.Unit) // limits as they are stored
	if err != nil || by[key] == nil {
		return nil
	}
	n := by[key].Now
	weeks, err := s.deps.Background.Peers(ctx, Peers{Key: key, Min: n.Min, Max: n.Max, Since: ds[0].At})
	if err != nil {
		s.log.Warn("peers of a course", "series", key, "err", err)
		return nil
	}
	c, ok := customaryUnits[n.UnitOfMeasure]
	var out []PeerWeek
	for _, w := range weeks {
		if w.Units < fewPeers {
			continue
		}
		if ok && s.reader.us {
			for _, v := range []*float64{&w.Low, &w.Mid, &w.High} {
				*v = *v*c.scale + c.offset
			}
		}
		out = append(out, w)
	}
	return out
}
