package analyze

import (
	"math"
	"slices"
)

// The empirical null (Efron 2004, Journal of the American Statistical Association 99:96, for the idea). Of independent
// standard normal residuals a CUSUM of allowance k has a tail that falls by exp(-2k) with each unit; of residuals that
// whitening left correlated it falls by exp(-2k/w), w their long-run variance (Siegmund 1985, Sequential Analysis, for a
// walk of any variance). So a score divided by w says of them what it says of independent ones.
//
// The long-run variance is that of the sums of blocks of residuals, from the differences of successive blocks, and those
// by their median: a lasting step moves one difference, and slow wear or benign ageing hardly any. The height of the
// scores themselves, which was used before, took such movement for chance: in a fleet of 500 it grew to 2 to 7 within
// half a year, and claims came later the longer a fleet was watched.
type blocks struct {
	n         int
	sum, last float64
	some      bool      // last is that of a block
	apart     []float64 // absolute differences of the sums of successive blocks
}

// blockResults is how many residuals a block has: many beside what whitening leaves, few enough for rare tests.
const blockResults = 12

func (b *blocks) add(z float64) {
	b.sum += z
	if b.n++; b.n < blockResults {
		return
	}
	if b.some {
		b.apart = append(b.apart, math.Abs(b.sum-b.last))
	}
	b.last, b.sum, b.n, b.some = b.sum, 0, 0, true
}

// nullLeast is how many differences tell of a null at all.
const nullLeast = 100

// nullOf is the long-run variance of residuals, from the differences of their blocks; other where there are too few.
func nullOf(apart []float64, other float64) float64 {
	if len(apart) < nullLeast {
		return other
	}
	apart = slices.Clone(apart)
	slices.Sort(apart)
	sd := median(apart) / 0.6744897501960817
	return sd * sd / (2 * blockResults)
}
