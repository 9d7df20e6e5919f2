package analyze

import (
	"time"

	"marginline/ingest/series"
)

// Settings holds every threshold of the detector. Evidence names the version, so that a claim can be
// made again from the same readings and the same settings.
type Settings struct {
	Version string

	// Baseline.
	LearnResults int // fresh results before a baseline is more than a guess
	MinResults   int // fresh results before a drift, a jump or a near limit may be claimed at all
	LearnKnown   int // the same two where the cohort was fitted: spread, correlation and effects are known
	MinKnown     int
	PriorSpread  float64 // expected healthy spread as a share of the distance to the limit
	PriorWeight  float64 // degrees of freedom behind that expectation
	SpreadFloor  float64 // smallest spread believed, as a share of the distance to the limit

	// Effect of the ambient temperature.
	AmbientPrior float64 // its spread over tests, as a share of the distance to the limit a 12 Cel

	// Score.
	Threshold float64 // CUSUM score that may raise a drift, in log average run length

	// Claims, in shares of the healthy distance to the limit (0 healthy, 1 at the limit).
	GateUsed    float64 // level that a drift must have reached
	GateAhead   float64 // ... now or so many days on, where the slope is sure ...
	GateSlope   float64 // ... by so many of its standard deviations
	GateBlind   float64 // ... where no ambient temperature is read that might explain a season
	GateSpread  float64 // ... or this many healthy spreads, where that is more
	GateMost    float64 // no limit can be watched whose gate lies beyond this share
	FastUsed    float64 // a drift may be claimed from here if the limit is likely reached within FastDays
	FastSpread  float64 // ... this many healthy spreads and more
	FastAge     float64 // ... since so many days
	FastSlope   float64 // ... with a slope of so many of its standard deviations
	FastDays    float64
	FastChance  float64
	FloorUsed   float64 // of a saw-tooth the results may be claimed themselves where their floor has risen by this ...
	FloorSpread float64 // ... and their level by so many healthy spreads
	HoldShare   float64 // the confirming results must each have used this share of the gate
	WildResults float64 // results far out that come and go, within about a month
	JumpInRow   int     // so many results in a row beyond Rule.Jump are a jump ...
	JumpSpread  float64 // ... if they are this many spreads away
	SteepLeast  float64 // a steep rise: three results in a row from here ...
	SteepFar    float64 // the last two from here ...
	SteepSpread float64 // and so many healthy spreads away ...
	SteepScore  float64 // with this score ...
	SteepMost   float64 // one of them from here, and the limit within NearDays by the line through the three
	NearUsed    float64 // a near limit must have reached this
	NearSpread  float64 // and this many healthy spreads
	NearDays    float64 // and be likely to be crossed within these days
	NearChance  float64
	LowMargin   float64 // margin below which a series is sick from the start
	GoodMargin  float64 // margin above which such a series is well again
	GoodShare   float64 // results below this share of the gate are healthy
	GoodInRow   int     // this many healthy results in a row take a claim back ...
	GoodSpan    time.Duration

	// A test that no longer runs.
	IdleDays int     // days with reports without a new result
	IdleRuns float64 // and so many results missed at its own rate

	// Counts of events in a trip.
	CountGate    float64 // moving average that a claim needs at least
	CountConfirm int     // results that must stay at half of it

	Usual    Rule                    // how a drift is confirmed
	Families map[string]Rule         // where a family differs
	Explains map[string]Circumstance // what else than wear moves the results of a family

	// Forecast, relative to the spread.
	SlopePrior float64 // standard deviation of the slope at the start, spreads a day
	DateScale  float64 // what the width of the dates is multiplied with, fitted on invented fleets so that four of five hold
	SlopeDrift float64 // variance of the slope's random walk, spreads squared a day cubed

	// Operating point.
	MovingWithin int // three limit pairs within this many results are limits that follow the operating point

	SurpriseAfter time.Duration // data of a unit before a code can be a surprise
}

// A Rule is what differs between families of monitors.
type Rule struct {
	Phi     float64       // correlation of successive results
	Confirm int           // fresh results in a row that must stay beyond HoldShare of the gate
	Span    time.Duration // and the time they must span
	Used    float64       // gate, where it is more than the usual one
	Floor   bool          // a saw-tooth: drift is looked for in its floor
	Jump    float64       // share used that two results in a row must be beyond to be a jump

	Explains Circumstance // what else moves the results
}

// learnResults and minResults are how many fresh results a series of a cohort needs.
func (s *Settings) learnResults(c *Cohort) int {
	if c != nil && c.Series > 0 {
		return min(s.LearnKnown, s.LearnResults)
	}
	return s.LearnResults
}

func (s *Settings) minResults(c *Cohort) int {
	if c != nil && c.Series > 0 {
		return min(s.MinKnown, s.MinResults)
	}
	return s.MinResults
}

const day = 24 * time.Hour

// DefaultSettings are the shipped settings. Where nothing else is said, a figure is our own choice,
// measured on invented fleets.
func DefaultSettings() Settings {
	return Settings{
		Version:      "2026-11.9",
		LearnResults: 12, MinResults: 6, LearnKnown: 6, MinKnown: 4,
		PriorSpread: 0.08, PriorWeight: 6, SpreadFloor: 0.02,
		AmbientPrior: 0.05,
		Threshold:    11,
		GateUsed:     0.28, GateAhead: 6, GateSlope: 2, GateBlind: 0.42, GateSpread: 2.5, GateMost: 0.8, HoldShare: 0.8,
		FastUsed: 0.22, FastSpread: 2, FastAge: 7, FastSlope: 1, FastDays: 60, FastChance: 0.5,
		FloorUsed: 0.08, FloorSpread: 3,
		WildResults: 2.5, JumpInRow: 2, JumpSpread: 6,
		SteepLeast: 0.1, SteepFar: 0.28, SteepSpread: 4, SteepScore: 7, SteepMost: 0.4,
		NearUsed: 0.5, NearSpread: 3.5, NearDays: 14, NearChance: 0.5,
		LowMargin: 0.15, GoodMargin: 0.35,
		GoodShare: 0.5, GoodInRow: 5, GoodSpan: day,
		IdleDays: 28, IdleRuns: 10,
		CountGate: 4.5, CountConfirm: 3,
		Usual: Rule{Phi: 0.2, Confirm: 3, Span: 2 * day, Jump: 0.5},
		Families: map[string]Rule{
			// A few wild results in a hot week after refuelling are vapour, not a leak: common practice.
			"evap":  {Phi: 0.2, Confirm: 4, Span: 4 * day, Used: 0.34, Jump: 0.8},
			"purge": {Phi: 0.2, Confirm: 3, Span: 2 * day, Jump: 0.5}, // no vapour in it
			// The response follows the age of the oil and drops at each oil service: common practice.
			"vvt": {Phi: 0.3, Confirm: 4, Span: 4 * day, Used: 0.36, Jump: 0.5},
			// Soot rises and is burnt off; ash stays. Watch the floor of the saw-tooth: common practice.
			"pm_filter": {Phi: 0.5, Confirm: 3, Span: 2 * day, Jump: 0.7, Floor: true},
			// Results that the control unit has filtered, or that follow slow states: they confirm one another less.
			"fuel_system":      {Phi: 0.5, Confirm: 4, Span: 3 * day, Jump: 0.6},
			"nox_catalyst_scr": {Phi: 0.5, Confirm: 3, Span: 2 * day, Used: 0.31, Jump: 0.6},
			// What only its maker knows may be a leak test, and is held to the same.
			"unknown": {Phi: 0.2, Confirm: 4, Span: 4 * day, Used: 0.34, Jump: 0.8},
			"misfire": {Phi: 0.3, Confirm: 3, Span: 2 * day, Jump: 0.7},
		},
		Explains:  usualCircumstances(),
		DateScale: 0.85, SlopePrior: 0.05, SlopeDrift: 1e-4,
		MovingWithin:  20,
		SurpriseAfter: 7 * day,
	}
}

// purgeMonitor is the monitor of purge flow (SAE J1979 monitor id 3D, from memory): of the family of leak tests, but no leak test.
const purgeMonitor = 0x3D

func (s *Settings) rule(family string, r *series.Result) Rule {
	if family == "evap" && r.MID == purgeMonitor {
		family = "purge"
	}
	if r, ok := s.Families[family]; ok {
		return r
	}
	return s.Usual
}
