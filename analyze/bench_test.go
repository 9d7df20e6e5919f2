package analyze

import (
	"fmt"
	"math/rand/v2"
	"runtime"
	"testing"
	"unsafe"

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

// BenchmarkTextbook is the loop to compare with: the textbook CUSUM over the same fresh values, in series
// order, and the product's update of one side on them.
func BenchmarkTextbook(b *testing.B) {
	const series, results = 2000, 180
	rng := rand.New(rand.NewPCG(2, 2))
	x := make([]float64, series*results)
	for i := range x {
		x[i] = 0.4 + 0.03*rng.NormFloat64()
	}
	per := func(b *testing.B) {
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*len(x)), "ns/result")
	}
	b.Run("textbook", func(b *testing.B) {
		hits := 0
		for b.Loop() {
			for s := range series {
				c := 0.0
				for _, v := range x[s*results : (s+1)*results] {
					if c = max(0, c+(v-0.4)/0.03-0.5); c > 5 {
						hits++
						c = 0
					}
				}
			}
		}
		sink = float64(hits)
		per(b)
	})
	b.Run("marginline", func(b *testing.B) {
		set := DefaultSettings()
		for b.Loop() {
			for s := range series {
				var st stream
				for i, v := range x[s*results : (s+1)*results] {
					if i == 0 {
						st.begin(1, v, 1, 1, 0.001, 1, &set)
					} else {
						st.take(v, 1, 1+int64(i)*int64(dayMicros), &set.Usual, &set)
					}
				}
				sink += st.bank.score()
			}
		}
		per(b)
	})
}

var sink float64

// TestStateSize says what a series costs in memory, so that a change of it is seen: the bound is far above the
// 160 bytes that a million series ask for.
func TestStateSize(t *testing.T) {
	const units, tests = 200, 40
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	all := make([]*Vehicle, units)
	set := DefaultSettings()
	for i := range all {
		v := NewVehicle(fmt.Sprint(i), "", plain{}, &set)
		for d := range 3 {
			p := poll(float64(d))
			for j := range tests {
				p.Results = append(p.Results, result(int32(1+j/8), int32(0x80+j%8), 0.4+float64(d)/1000, none, 1))
			}
			apply(t, v, p)
		}
		all[i] = v
	}
	runtime.GC()
	runtime.ReadMemStats(&after)
	size := float64(after.HeapAlloc-before.HeapAlloc) / (units * tests)
	runtime.KeepAlive(all)
	t.Logf("%.0f bytes a series, index and names included; %d of them its state", size, unsafe.Sizeof(watch{}))
	if size > 1800 {
		t.Errorf("%.0f bytes a series", size)
	}
}
