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
	perNu float64 `rest:"-"` // 1 / nu
	s2    float64 `rest:"-"` // variance of one result around its level
	sharp float64 `rest:"-"` // 1 / its predictive variance, s2 (1 + 1/kappa)
	inv   float64 `rest:"-"` // the root of that
}

// newNormal starts from a prior level m0 worth kappa0 results and a prior variance s2 worth nu0, and believes
// no variance below floor.
func newNormal(m0, kappa0, nu0, s2, floor float64) normal {
	n := normal{m: m0, kappa: kappa0, nu: nu0, more: nu0 - kappa0, v: nu0 * s2, floor: floor}
	n.derive(1 / (nu0 * kappa0))
	return n
}

func (n *normal) wake() {
	n.nu = n.kappa + n.more
	n.derive(1 / (n.nu * n.kappa))
}

// derive takes 1 / (nu kappa): one division for all that divide by either.
func (n *normal) derive(per float64) {
	n.perNu = n.kappa * per
	n.s2 = n.v * n.perNu
	if n.s2 < n.floor {
		n.s2 = n.floor
	}
	n.sharp = 1 / (n.s2 * (1 + n.nu*per))
	n.inv = math.Sqrt(n.sharp)
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
	n.derive(n.absorb(n.clipped(x, clip), w))
}

// The parts of learn and of wallace are small so that the compiler puts them into the hot loop.

// clipped is x - m, cut to clip predictive standard deviations.
func (n *normal) clipped(x, clip float64) float64 {
	d := x - n.m
	if d*d*n.sharp > clip*clip {
		d = math.Copysign(clip/n.inv, d)
	}
	return d
}

func (n *normal) absorb(d, w float64) (per float64) {
	kappa := n.kappa
	n.kappa += w
	n.nu += w
	per = 1 / (n.nu * n.kappa)
	move := w * (n.nu * per) * d
	n.v += move * (kappa * d)
	n.m += move
	return per
}

// wallace turns a Student t value with nu degrees of freedom into a standard normal one (Wallace 1959,
// Annals of Mathematical Statistics 30:1124):
//
//	z = sign(T) (8 nu + 1)/(8 nu + 3) sqrt(nu ln(1 + T^2/nu))
//
// It is exact to about 0.01. The root is T sqrt(ln(1+y)/y), y = T^2/nu, and that of the ratio comes from a table; the
// factor before it is its series to 1/nu^3. Both are within a thousandth from 2 degrees of freedom on, which is less than
// the formula itself is known to.
func wallace(t, nu float64) float64 { return wallaceOf(t, t*t/nu, 1/nu) }

func wallaceOf(t, y, perNu float64) float64 {
	if y >= rootsTo {
		return wallaceFar(t, y, perNu)
	}
	return t * (roots[uint32(int32(y*rootsPer))%len32] * (1 - perNu*(1./4-perNu*(3./32-perNu*(9./256)))))
}

// roots are sqrt(ln(1+y)/y) in the middle of every step of y, up to rootsTo.
var roots = func() (list [rootsTo * rootsPer]float64) {
	for i := range list {
		y := (float64(i) + 0.5) / rootsPer
		list[i] = math.Sqrt(math.Log1p(y) / y)
	}
	return list
}()

const (
	rootsTo  = 16
	rootsPer = 128
	len32    = uint32(rootsTo * rootsPer)
)

//go:noinline
func wallaceFar(t, y, perNu float64) float64 {
	return t * (math.Sqrt(math.Log1p(y)/y) * (1 - perNu*(1./4-perNu*(3./32-perNu*(9./256)))))
}
