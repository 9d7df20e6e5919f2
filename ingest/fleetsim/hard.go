package fleetsim

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"time"
)

//go:embed hard.json
var hardFile []byte

// A Hardness says how much harder than the usual invented fleet a fleet is, for scenario "hard". All
// lengths are shares of the distance from the healthy level to the limit.
type Hardness struct {
	About string `json:"about"`

	// The fleets that a score is made on: these seeds were chosen before any threshold was.
	Seeds    []uint64  `json:"seeds"`
	FitSeeds []uint64  `json:"fit_seeds"` // others, which were looked at first; package analyze names those that were fitted on
	Units    int       `json:"units"`
	Days     int       `json:"days"`
	End      time.Time `json:"end"`

	// What all units with one calibration share in a test, and what each unit adds: standard deviations of
	// the healthy level, of the log of the noise, and of the effect of AmbientPerC degrees, of either sign.
	Calibration struct {
		Offset  float64    `json:"offset"`
		Noise   float64    `json:"noise"`
		Ambient float64    `json:"ambient"`
		Limits  [3]float64 `json:"limits"`
	} `json:"calibration"`
	Unit struct {
		Offset  float64 `json:"offset"`
		Noise   float64 `json:"noise"`
		Ambient float64 `json:"ambient"`
	} `json:"unit"`
	AmbientPerC float64 `json:"ambient_per_c"`

	Tail struct { // wild results: so many spreads away
		Share, From, To float64
	} `json:"tail"`
	Ageing struct { // benign: up to Most over the history, in that share of tests
		Share, Most float64
	} `json:"ageing"`
	Step struct { // harmless steps of up to Most, either way
		Share, Most float64
	} `json:"step"`
	WearIn struct {
		Share, Most float64
	} `json:"wear_in"`
	Rare struct { // tests that run rarely: their chance is cut
		Share, Chance float64
	} `json:"rare"`
	HotFills float64 `json:"hot_fills"` // share of units that fill up in the evenings of the hottest days
	HeatC    float64 `json:"heat_c"`    // mean of those days, Cel
	Reflash  struct {
		Share, From, To float64 // limits move by such a factor
	} `json:"reflash"`
	Clear    float64    `json:"clear"` // share of units whose codes are cleared once without need
	SlowDays [2]float64 `json:"slow_days"`
	FastDays [2]float64 `json:"fast_days"`
}

// Hard is the hardness of scenario "hard", from the file hard.json of this package.
func Hard() (Hardness, error) {
	var h Hardness
	if err := json.Unmarshal(hardFile, &h); err != nil {
		return h, fmt.Errorf("fleetsim: hard.json: %w", err)
	}
	return h, nil
}

// normalOf is a normal draw cut off at two standard deviations.
func normalOf(r *rand.Rand, sd float64) float64 {
	return sd * min(max(r.NormFloat64(), -2), 2)
}

// roughen makes a monitor of the usual fleet a hard one. Everything random comes from streams that the
// usual fleet does not use.
func (h *Hardness) roughen(c Config, v *vehicle, m *monitor, i, version int) {
	cohort := rand.New(rand.NewPCG(c.Seed^0x68617264, uint64(v.family.ordinal()*3+version)<<16|uint64(i)))
	r := c.random(v.n, forHard+i)
	offset := normalOf(cohort, h.Calibration.Offset) + normalOf(r, h.Unit.Offset)
	noise := math.Exp(normalOf(cohort, h.Calibration.Noise) + normalOf(r, h.Unit.Noise))
	ambient := normalOf(cohort, h.Calibration.Ambient) + normalOf(r, h.Unit.Ambient)
	if m.shape != leakSmall && m.shape != leakLarge { // those are holes of their own size
		m.level0 = m.healthy + offset*m.distance()
	}
	m.spread = m.noise * c.Noise * noise
	m.season = ambient * 12 / h.AmbientPerC
	m.tail, m.tailFrom, m.tailTo = h.Tail.Share, h.Tail.From, h.Tail.To
	m.newPart, m.stepBy, m.stepAt = 0, 0, time.Time{}
	yes := func(share float64) bool { return r.Float64() < share }
	if age := between(r, 0, h.Ageing.Most); yes(h.Ageing.Share) {
		m.ageing = age
	}
	at, by := between(r, 0.1, 0.9), between(r, -h.Step.Most, h.Step.Most)
	if yes(h.Step.Share) {
		m.stepAt, m.stepBy = c.start().Add(days(at*float64(c.Days))), by
	}
	share, km, from := between(r, 0.05, h.WearIn.Most), between(r, 500, 1500), between(r, 0, 4000)
	if yes(h.WearIn.Share) {
		m.newPart, m.newKm, m.newFrom = share, km, v.km+from
	}
	if yes(h.Rare.Share) {
		m.chance *= h.Rare.Chance
	}
}

// stage lets things happen to healthy units: a hot week with fill-ups, new calibrations, cleared codes.
func (h *Hardness) stage(c Config, p *play) {
	heat := hotWeek(c.End)
	for _, w := range p.weather {
		w.heat, w.heatMean = heat, h.HeatC
	}
	for _, v := range p.vehicles {
		r := c.random(v.n, forHard+0xF00)
		v.drv.hotFills = r.Float64() < h.HotFills
		flash, when, factor := r.Float64(), between(r, 0.2, 0.8), between(r, h.Reflash.From, h.Reflash.To)
		clear, at := r.Float64(), between(r, 0.1, 0.95)
		moment := func(share float64) time.Time {
			return c.start().Add(days(share * float64(c.Days))).Truncate(time.Second)
		}
		if flash < h.Reflash.Share {
			cal := v.cal[:len(v.cal)-1] + "R"
			v.events = append(v.events, event{moment(when), func(v *vehicle, _ time.Time) { v.reflash(cal, factor) }})
		}
		if clear < h.Clear {
			v.events = append(v.events, event{moment(at), func(v *vehicle, _ time.Time) { v.clear() }})
		}
	}
}

// ordinal is the place of a family in the catalogue.
func (f *family) ordinal() int {
	for i := range families {
		if families[i].name == f.name {
			return i
		}
	}
	return 0
}
