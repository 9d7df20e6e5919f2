package fleetsim

import "math"

// Physics of a leak test on a fuel tank: a small pressure is trapped and escapes through an orifice.
//
//	Q = Cd A sqrt(2 dP / rho)                       orifice equation (fluid mechanics handbook)
//	d(dP)/dt = -Patm Q / V                          isothermal vapour space of volume V
//	sqrt(dP(t)) = sqrt(dP(0)) - k t / 2,            k = Patm Cd A sqrt(2/rho) / V
const (
	dischargeCoefficient = 0.62
	airDensity           = 1.2     // kg/m3
	atmosphere           = 101325  // Pa
	inchOfWater          = 249.089 // Pa
	inch                 = 0.0254  // m
	testPressure         = 7 * inchOfWater
	testHold             = 8 // s
	referenceFuel        = 50
)

// A tank is a vapour space: tank and canister, litres.
type tank struct{ litres, canister float64 }

// volume is the vapour space in m3 at a fuel level in percent.
func (t tank) volume(fuel float64) float64 {
	return (t.litres*(1-fuel/100) + t.canister) / 1000
}

// k is the constant of the closed form above, in sqrt(Pa)/s, for a hole of diameter d in metres.
func (t tank) k(d, fuel float64) float64 {
	area := math.Pi / 4 * d * d
	return atmosphere * dischargeCoefficient * area * math.Sqrt(2/airDensity) / t.volume(fuel)
}

// flow is the volume flow through a hole of diameter d (m) at a pressure difference (Pa), m3/s.
func flow(d, pressure float64) float64 {
	return dischargeCoefficient * math.Pi / 4 * d * d * math.Sqrt(2*pressure/airDensity)
}

// halfTime is how long the trapped pressure takes to halve, in seconds.
func (t tank) halfTime(d, fuel float64) float64 {
	return 2 * math.Sqrt(testPressure) * (1 - math.Sqrt2/2) / t.k(d, fuel)
}

// decay is the mean rate at which pressure is lost during the hold, Pa/s.
func (t tank) decay(d, fuel float64) float64 {
	left := max(0, math.Sqrt(testPressure)-t.k(d, fuel)*testHold/2)
	return (testPressure - left*left) / testHold
}

// fuelCorrection is the share of the fuel level's influence that control units correct for (our choice):
// what is left is what a trend must live with.
const fuelCorrection = 0.85

// reported is the decay rate that the control unit stores: corrected to the reference fuel level, but not
// fully.
func (t tank) reported(d, fuel float64) float64 {
	return t.decay(d, fuel) * math.Pow(t.volume(fuel)/t.volume(referenceFuel), fuelCorrection)
}

// hole is the diameter whose reported rate at the reference fuel level is rate.
func (t tank) hole(rate float64) float64 {
	left := math.Sqrt(max(0, testPressure-rate*testHold))
	k := 2 * (math.Sqrt(testPressure) - left) / testHold
	return math.Sqrt(max(0, k) / t.k(1, referenceFuel))
}
