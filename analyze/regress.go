package analyze

import "math"

// A regression gathers the sums of a linear regression without constant, of the moments of up to three
// regressors and a value. Whoever feeds it takes the constant out first: by differences, or from means.
type regression struct {
	xx [covers][covers]float64
	xy [covers]float64
	n  float64
}

// add takes a pair in.
func (r *regression) add(x [covers]float64, y float64) {
	for i := range x {
		for j := range i + 1 {
			r.xx[i][j] += x[i] * x[j]
		}
		r.xy[i] += x[i] * y
	}
	r.n++
}

// merge takes another one's sums in, its regressors and values divided by scale.
func (r *regression) merge(o *regression, scale float64) {
	for i := range r.xy {
		for j := range i + 1 {
			r.xx[i][j] += o.xx[i][j]
		}
		r.xy[i] += o.xy[i] / scale
	}
	r.n += o.n
}

// solve is the ridge estimate toward b0 (Hoerl and Kennard 1970, Technometrics 12:55):
//
//	b = (X'X + lambda)^-1 (X'y + lambda b0)
//
// by Cholesky's method on equilibrated sums. A regressor that never moved keeps b0. lambda may be nought.
func (r *regression) solve(b0, lambda [covers]float64) (b [covers]float64) {
	var l [covers][covers]float64
	var y, scale [covers]float64
	for i := range scale {
		if scale[i] = math.Sqrt(r.xx[i][i] + lambda[i]); scale[i] == 0 {
			scale[i] = 1
		}
	}
	for i := range l {
		for j := range i + 1 {
			sum := r.xx[i][j] / scale[i] / scale[j]
			if i == j {
				if sum += lambda[i] / scale[i] / scale[i]; sum == 0 {
					sum = 1
				}
			}
			for k := range j {
				sum -= l[i][k] * l[j][k]
			}
			if i == j {
				l[i][i] = math.Sqrt(max(sum, 1e-14))
			} else {
				l[i][j] = sum / l[j][j]
			}
		}
		sum := r.xy[i] + lambda[i]*b0[i]
		if r.xx[i][i] == 0 && lambda[i] == 0 {
			sum = b0[i]
		}
		sum /= scale[i]
		for k := range i {
			sum -= l[i][k] * y[k]
		}
		y[i] = sum / l[i][i]
	}
	for i := covers - 1; i >= 0; i-- {
		sum := y[i]
		for k := i + 1; k < covers; k++ {
			sum -= l[k][i] * b[k]
		}
		b[i] = sum / l[i][i]
	}
	for i := range b {
		b[i] /= scale[i]
	}
	return b
}
