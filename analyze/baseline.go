package analyze

import "math"

// normal is what is believed of a normal level and spread: the conjugate normal-inverse-gamma form,
// updated result by result.
//
//	mean ~ N(m, s2/kappa), s2 = v/nu
type normal struct {
	m     float64 // level
	kappa float64 // weight of m, in results
	nu    float64 `rest:"-"` // degrees of freedom behind v: kappa and more
	more  float64 // ... from the prior
	v     float64 // sum of squares
	floor float64 // smallest variance believed

	// What follows from these. The next result needs it at once, and dividing takes most of its time.
	per float64 `rest:"-"` // 1 / (nu kappa): one division for all that divide by either
	s2  float64 `rest:"-"` // variance of one result around its level
	inv float64 `rest:"-"` // 1 / its predictive standard deviation, sqrt(s2 (1 + 1/kappa))
}

// newNormal starts from a prior level m0 worth kappa0 results and a prior variance s2 worth nu0, and believes
// no variance below floor.
func newNormal(m0, kappa0, nu0, s2, floor float64) normal {
	n := normal{m: m0, kappa: kappa0, nu: nu0, more: nu0 - kappa0, v: nu0 * s2, floor: floor, per: 1 / (nu0 * kappa0)}
	n.derive()
	return n
}

func (n *normal) wake() {
	n.nu = n.kappa + n.more
	n.per = 1 / (n.nu * n.kappa)
	n.derive()
}

func (n *normal) derive() {
	n.s2 = n.v * n.kappa * n.per
	if n.s2 < n.floor {
		n.s2 = n.floor
	}
	n.inv = 1 / math.Sqrt(n.s2*(1+n.nu*n.per))
}

// residual is the standardised surprise of x against what was believed before it:
//
//	T = (x - m) / sqrt(s2 (1 + 1/kappa)),  Student t with nu degrees of freedom
func (n *normal) residual(x float64) float64 { return (x - n.m) * n.inv }

// learnClip bounds what one result may teach, in predictive standard deviations.
const learnClip = 3

// learn takes a result of weight w results in. A residual beyond clip moves the belief no further.
//
//	V += w kappa/(kappa+w) d^2,  m += w d/(kappa+w),  kappa += w,  nu += w
func (n *normal) learn(x, w, clip float64) {
	n.absorb(n.clipped(x, clip), w)
	n.derive()
}

// The parts of learn and of wallace are small so that the compiler puts them into the hot loop.

// clipped is x - m, cut to clip predictive standard deviations.
func (n *normal) clipped(x, clip float64) float64 {
	d := x - n.m
	if t := d * n.inv; t*t > clip*clip {
		d = math.Copysign(clip/n.inv, d)
	}
	return d
}

func (n *normal) absorb(d, w float64) {
	kappa := n.kappa
	n.kappa += w
	n.nu += w
	n.per = 1 / (n.nu * n.kappa)
	share := w * n.nu * n.per
	n.v += share * kappa * d * d
	n.m += share * d
}

// wallace turns a Student t value with nu degrees of freedom into a standard normal one (Wallace 1959,
// Annals of Mathematical Statistics 30:1124):
//
//	z = sign(T) (8 nu + 1)/(8 nu + 3) sqrt(nu ln(1 + T^2/nu))
//
// It is exact to about 0.01. The root is taken as T sqrt(ln(1+y)/y), y = T^2/nu, of which up to y = 4 a ratio
// of polynomials is right to 4e-7 (fitted by least squares of the relative error).
func wallace(t, nu float64) float64 { return wallaceOf(t, nu, 1/nu) }

func wallaceOf(t, nu, perNu float64) float64 {
	y := t * t * perNu
	if y > 4 {
		return wallaceFar(t, nu)
	}
	return t * rootAbove(y) * (8*nu + 1) / (rootBelow(y) * (8*nu + 3))
}

func rootAbove(y float64) float64 {
	return 0.99999968695509195 + y*(0.94752859588094074+y*(0.18144232621152372+y*0.0038554130502024747))
}

func rootBelow(y float64) float64 {
	return 1 + y*(1.1975120081896125+y*(0.34554602127637744+y*0.018726459829554806))
}

//go:noinline
func wallaceFar(t, nu float64) float64 {
	return math.Copysign((8*nu+1)/(8*nu+3)*math.Sqrt(nu*math.Log1p(t*t/nu)), t)
}
