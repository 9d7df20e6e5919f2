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
func stepSpread(c sum, z float64) sum {
	const (
		most = 40 * one
		half = one * (1 - 1./(spreadRatio*spreadRatio)) / 2
		less = 726817 // ln r
	)
	square := z * z
	if square > spreadClip*spreadClip {
		square = spreadClip * spreadClip
	}
	return min((c + sum(square*half) - less).positive(), most)
}

// A sum is a CUSUM in steps of a millionth: whole numbers add in a third of the time of floating-point ones, take half
// the room, and are the same on every machine. A residual is known to a hundredth, so nothing is lost.
type sum int32

const one = 1 << 20

// mostSum is the largest threshold that sums are held at.
const mostSum = 1000

func (c sum) float() float64 { return float64(c) * (1. / one) }

// positive is max(0, c). It has no branch: whether a sum falls back to zero cannot be foreseen.
func (c sum) positive() sum { return max(c, 0) }

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
	c    sums
	zero int64 // read_at (us) of the last result that left the middle member at zero
}

// add takes a residual z read at time at. The members are held at most a little above the threshold (heldAt), so
// that they can fall again after a repair (Gandy and Lau 2013, Biometrika 100).
func (b *bank) add(z float64, at int64, held *sums) {
	b.raise(clipped(z), held)
	b.date(at)
}

func clipped(z float64) sum {
	d := sum(z * one)
	if z > clipUp {
		d = clipUp * one
	} else if z < clipDown {
		d = clipDown * one
	}
	return d
}

// sums are those of the members.
type sums [len(allowances)]sum

// heldAt is how high the members may rise: to a score of threshold, and 5 more.
func heldAt(threshold float64) sums {
	h := sum(min(threshold, mostSum) * one)
	return sums{2*h + 5*one, h + 5*one, h/2 + 5*one}
}

// raise is step for each member, with its allowance of 1/4, 1/2 and 1. The first is always the highest and its bound too,
// so that none is held while the first is below the lowest bound.
func (b *bank) raise(d sum, most *sums) {
	c := (b.c[0] + (d - one/4)).positive()
	b.c[0] = c
	b.c[1] = (b.c[1] + (d - one/2)).positive()
	b.c[2] = (b.c[2] + (d - one)).positive()
	if c > most[2] {
		b.hold(most)
	}
}

//go:noinline
func (b *bank) hold(most *sums) {
	for i := range b.c {
		b.c[i] = min(b.c[i], most[i])
	}
}

func (b *bank) date(at int64) {
	zero := b.zero
	if b.c[middle] == 0 {
		zero = at
	}
	b.zero = zero
}

// score is the largest log average run length of the members; 0 when all are at zero.
func (b *bank) score() float64 {
	s := 0.0
	for i, k := range allowances {
		if c := b.c[i]; c > 0 {
			s = max(s, 2*k*(c.float()+overshoot)-logSquares[i])
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
