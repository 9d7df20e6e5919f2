package fleetsim

import (
	"math"
	"math/rand/v2"
	"time"
)

// A Mode is how a fault develops.
type Mode string

// The modes.
const (
	Slow         Mode = "slow"         // weeks to months
	Fast         Mode = "fast"         // days
	Step         Mode = "step"         // from one trip to the next
	Intermittent Mode = "intermittent" // comes and goes
	Healing      Mode = "healing"      // rises for some days and goes by itself; never reaches the limit
)

// A Fault is the truth about one fault: what no detector may read. Times that did not come within the
// history are zero.
type Fault struct {
	Unit   string   `json:"unit"`
	VIN    string   `json:"vin"`
	ECU    string   `json:"ecu"`
	Family string   `json:"family"`
	Tests  []string `json:"tests"` // keys of the results it moves, the one that sets the code first
	Mode   Mode     `json:"mode"`
	Cause  string   `json:"cause,omitempty"`
	Code   string   `json:"code"` // that it sets, or would

	Onset    time.Time `json:"onset"`             // the last healthy instant
	LimitAt  time.Time `json:"limit_at,omitzero"` // the wear itself reaches the limit, without noise; may lie after the history; zero for intermittent
	Crosses  time.Time `json:"crosses,omitzero"`  // beyond the limit: LimitAt, or the first failing result where noise got there first
	CodeAt   time.Time `json:"code_at,omitzero"`  // the code is confirmed
	Repaired time.Time `json:"repaired,omitzero"`
	Healed   time.Time `json:"healed,omitzero"` // by itself
}

// A wear is a fault at work.
type wear struct {
	Fault
	side  int     // 0 toward the minimum, 1 toward the maximum
	dur   float64 // days from onset to the limit
	power float64 // level = x^power: 1 linear, above accelerating, below slowing
	most  float64 // where it ends
	duty  float64 // intermittent: share of runs it shows in
	wet   bool    // intermittent: on wet days
	rng   *rand.Rand

	repairAt time.Time // planned visit; zero for none
	repaired bool
	left     float64 // level or, for a wrong repair, share after it
	wrong    bool
}

// level is how far the fault has come at t: 0 healthy, 1 at the limit. Intermittent faults draw.
func (w *wear) level(t time.Time, wet bool) float64 {
	if !t.After(w.Onset) {
		return 0
	}
	if w.repaired && !w.wrong {
		return w.left
	}
	x := t.Sub(w.Onset).Hours() / 24 / max(w.dur, 1e-9)
	switch w.Mode {
	case Step:
		return w.most
	case Healing:
		if x > 1 {
			return max(0, w.most*(1-(x-1)/healing))
		}
		return w.most * x
	case Intermittent:
		duty := w.duty * min(1, 0.3+0.7*x)
		if w.wet {
			if wet {
				duty = 0.85
			} else {
				duty = 0.03
			}
		}
		if w.rng.Float64() < duty {
			return w.most * between(w.rng, 0.75, 1.15)
		}
		return 0
	}
	return min(math.Pow(x, w.power), w.most)
}

func (w *wear) active(t time.Time) bool {
	return t.After(w.Onset) && !(w.repaired && !w.wrong)
}

// failed notes a failing result.
func (w *wear) failed(t time.Time) {
	if w.active(t) && (w.Crosses.IsZero() || t.Before(w.Crosses)) {
		w.Crosses = t
	}
}

// confirmed notes the code.
func (w *wear) confirmed(t time.Time, code string) {
	if w.active(t) && w.CodeAt.IsZero() {
		w.CodeAt, w.Code = t, code
	}
}

// healing is how long a fault goes on that heals, as a share of how long it grew.
const healing = 0.6

// plan fixes when the wear itself will be at the limit.
func (w *wear) plan() {
	switch w.Mode {
	case Step:
		w.LimitAt = w.Onset.Add(time.Second)
	case Slow, Fast:
		if w.most >= 1 {
			w.LimitAt = w.Onset.Add(days(w.dur)).Truncate(time.Second)
		}
	}
	if w.Mode == Healing {
		w.Healed = w.Onset.Add(days(w.dur * (1 + healing))).Truncate(time.Second)
	}
	w.Crosses = w.LimitAt
}
