package analyze

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"marginline/ingest/series"
)

// BenchmarkApply folds polls of forty tests of which one in ten is fresh; ns/result is the cost of one
// reading, fresh or not.
func BenchmarkApply(b *testing.B) {
	for _, fresh := range []int{10, 100} {
		b.Run(fmt.Sprintf("fresh=%d%%", fresh), func(b *testing.B) {
			const tests, polls = 40, 400
			rng := rand.New(rand.NewPCG(1, 1))
			list := make([]*series.Poll, polls)
			values := make([]float64, tests)
			for i := range list {
				p := poll(float64(i) / 10)
				for j := range tests {
					if i == 0 || rng.IntN(100) < fresh {
						values[j] = 0.4 + 0.03*rng.NormFloat64()
					}
					p.Results = append(p.Results, result(int32(1+j/8), int32(0x80+j%8), values[j], none, 1))
				}
				list[i] = p
			}
			b.ReportAllocs()
			b.ResetTimer()
			for b.Loop() {
				apply(b, newTestVehicle(b), list...)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*polls*tests), "ns/result")
		})
	}
}
