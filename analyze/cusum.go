package analyze

import "math"

// allowances are the reference values k of the bank, in standard deviations: half of the lasting moves
// that each of them finds fastest.
var allowances = [3]float64{0.25, 0.5, 1}

// logSquares are ln(2k^2) of them, as logRun has it.
var logSquares = [len(allowances)]float64{-3 * math.Ln2, -math.Ln2, math.Ln2}

// middle is the member of the bank whose last zero dates the change.
const middle = 1

// Residuals are clipped before they are summed, so that one wild result cannot carry an alarm.
const (
	clipDown = -3
	clipUp   = 2.5
)

// step is one step of the one-sided CUSUM of Page (1954, Biometrika 41):
//
//	C = max(0, C + z - k)
func step(c, z, k float64) float64 { return max(0, c+z-k) }

// spreadRatio is the growth of the spread that stepSpread looks for, and spreadClip bounds what one residual
// may add.
const (
	spreadRatio    = 2
	logSpreadRatio = math.Ln2
	spreadClip     = 4
)

// stepSpread is one step of the CUSUM of the likelihood ratio of a normal variance grown by r^2 (Hawkins 1981,
// Journal of Quality Technology 13:228, for the idea):
//
//	C = max(0, C + z^2/2 (1 - 1/r^2) - ln r)
func stepSpread(c, z float64) float64 {
	z = min(math.Abs(z), spreadClip)
	return min(max(0, c+z*z/2*(1-1./(spreadRatio*spreadRatio))-logSpreadRatio), 40)
}

// overshoot is the mean excess of a normal random walk over a boundary (Siegmund 1985, Sequential Analysis).
const overshoot = 1.166

// logRun is the log of the average run length to a chance excursion as high as c:
//
//	ln ARL ~ 2k(c + 1.166) - ln(2k^2)
//
// Siegmund's approximation for independent standard normal z, with the terms that vanish for large c left
// out. It makes scores of different k comparable. Zero for c = 0.
func logRun(c, k float64) float64 {
	if c <= 0 {
		return 0
	}
	return max(0, 2*k*(c+overshoot)-math.Log(2*k*k))
}

// A bank is a set of one-sided CUSUMs toward one limit.
type bank struct {
	c    [len(allowances)]float64
	zero int64 // read_at (us) of the last result that left the middle member at zero
}

// add takes a residual z read at time at. The members are held at most a little above threshold, so
// that they can fall again after a repair (Gandy and Lau 2013, Biometrika 100).
func (b *bank) add(z float64, at int64, threshold float64) {
	z = min(max(z, clipDown), clipUp)
	for i, k := range allowances {
		b.c[i] = min(step(b.c[i], z, k), threshold/(2*k)+5)
	}
	if b.c[middle] == 0 {
		b.zero = at
	}
}

// score is the largest log average run length of the members; 0 when all are at zero.
func (b *bank) score() float64 {
	s := 0.0
	for i, k := range allowances {
		if b.c[i] > 0 {
			s = max(s, 2*k*(b.c[i]+overshoot)-logSquares[i])
		}
	}
	return s
}

// since is the last zero (us): a lasting move began no later than that result's successor, and the zero
// itself is what is reported (Page 1954; Hinkley 1971). 0 while the score is zero.
func (b *bank) since() int64 {
	if b.c[middle] == 0 {
		return 0
	}
	return b.zero
}

// ewma is one step of the exponentially weighted moving average (Roberts 1959, Technometrics 1:239):
//
//	level += w (x - level)
func ewma(level, x, w float64) float64 { return level + w*(x-level) }
