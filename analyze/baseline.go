package analyze

import "math"

// normal is what is believed of a normal level and spread: the conjugate normal-inverse-gamma form,
// updated result by result.
//
//	mean ~ N(m, s2/kappa), s2 = v/nu
type normal struct {
	m     float64 // level
	kappa float64 // weight of m, in results
	nu    float64 // degrees of freedom behind v
	v     float64 // sum of squares
}

// newNormal starts from a prior level m0 worth kappa0 results and a prior variance s2 worth nu0.
func newNormal(m0, kappa0, nu0, s2 float64) normal { return normal{m0, kappa0, nu0, nu0 * s2} }

// variance is the variance of one result around its level, never below floor.
func (n *normal) variance(floor float64) float64 { return max(n.v/n.nu, floor) }

// residual is the standardised surprise of x against what was believed before it:
//
//	T = (x - m) / sqrt(s2 (1 + 1/kappa)),  Student t with nu degrees of freedom
func (n *normal) residual(x, floor float64) float64 {
	return (x - n.m) / math.Sqrt(n.variance(floor)*(1+1/n.kappa))
}

// learnClip bounds what one result may teach, in predictive standard deviations.
const learnClip = 3

// learn takes a result of weight w results in. A residual beyond clip moves the belief no further.
//
//	V += w kappa/(kappa+w) d^2,  m += w d/(kappa+w),  kappa += w,  nu += w
func (n *normal) learn(x, w, clip, floor float64) {
	sc := math.Sqrt(n.variance(floor) * (1 + 1/n.kappa))
	d := min(max(x-n.m, -clip*sc), clip*sc)
	n.v += w * n.kappa / (n.kappa + w) * d * d
	n.m += w * d / (n.kappa + w)
	n.kappa += w
	n.nu += w
}

// wallace turns a Student t value with nu degrees of freedom into a standard normal one (Wallace 1959,
// Annals of Mathematical Statistics 30:1124):
//
//	z = sign(T) (8 nu + 1)/(8 nu + 3) sqrt(nu ln(1 + T^2/nu))
func wallace(t, nu float64) float64 {
	return math.Copysign((8*nu+1)/(8*nu+3)*math.Sqrt(nu*math.Log1p(t*t/nu)), t)
}
