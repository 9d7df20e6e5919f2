package analyze

import (
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"testing"
	"time"
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

// BenchmarkTextbook compares the product's update of one side with the textbook CUSUM loop over the same fresh
// values, in series order and turn by turn in one run. A turn is short, and the fastest of each counts, so that other
// work on the machine does not; times is how much more the product's update costs.
func BenchmarkTextbook(b *testing.B) {
	const series, results = 50, 180
	rng := rand.New(rand.NewPCG(2, 2))
	x := make([]float64, series*results)
	for i := range x {
		x[i] = 0.4 + 0.03*rng.NormFloat64()
	}
	textbook := func() {
		hits := 0
		for s := range series {
			c := 0.0
			for _, v := range x[s*results : (s+1)*results] {
				if c = max(0, c+(v-0.4)/0.03-0.5); c > 5 {
					hits++
					c = 0
				}
			}
		}
		sink += float64(hits)
	}
	set := DefaultSettings()
	c := usual(&set)
	ours := func() {
		for s := range series {
			var st stream
			for i, v := range x[s*results : (s+1)*results] {
				if i == 0 {
					st.begin(1, v, 1, 1, 0.001, 1, c, &set)
				} else {
					st.take(v, 1, 1+int64(i)*int64(dayMicros), c, &set)
				}
			}
			sink += st.bank.score()
		}
	}
	plain, full := math.Inf(1), math.Inf(1)
	turn := func(f func(), least *float64) {
		began := time.Now()
		f()
		*least = min(*least, float64(time.Since(began).Nanoseconds())/float64(len(x)))
	}
	b.ReportAllocs()
	for b.Loop() {
		for range 20 {
			turn(textbook, &plain)
			turn(ours, &full)
		}
	}
	b.ReportMetric(plain, "textbook-ns/result")
	b.ReportMetric(full, "marginline-ns/result")
	b.ReportMetric(full/plain, "times")
	b.ReportMetric(0, "ns/op")
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
	if size > 2000 {
		t.Errorf("%.0f bytes a series", size)
	}
}
