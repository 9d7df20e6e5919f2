package analyze

import (
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"testing"
	"time"

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

// BenchmarkMillionSeries keeps a fleet of a million series on a runner's shelf, each with a month of results of its
// own, and measures the heap, index and names included. wake+rest is what it takes to bring a unit of forty series
// back and to pack it again.
func BenchmarkMillionSeries(b *testing.B) {
	const tests, units, days = 40, 25_000, 30
	set := DefaultSettings()
	heap := func() uint64 {
		runtime.GC()
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	build := func(u int) *Vehicle {
		rng := rand.New(rand.NewPCG(uint64(u), 7))
		v := NewVehicle(fmt.Sprintf("unit-%05d", u), fmt.Sprintf("9ZZBENCH%09d", u), plain{}, &set)
		values := make([]float64, tests)
		for d := range days {
			p := poll(float64(d))
			p.ReportID, p.ReadAt = fmt.Sprintf("%08x-%05d-%04d", rng.Uint32(), u, d), p.ReadAt.Add(time.Duration(u)*time.Second)
			p.Context.AmbientC, p.Context.RunTimeS = float64(rng.IntN(30)), float64(rng.IntN(4000))
			for j := range tests {
				if d == 0 || rng.IntN(2) == 0 {
					values[j] = 0.3 + 0.01*float64(j%8) + 0.03*rng.NormFloat64()
				}
				r := result(int32(1+j/8), int32(0x80+j%8), values[j], none, 1+float64(j)/100)
				r.CalID = "CAL-A1"
				p.Results = append(p.Results, r)
			}
			apply(b, v, p)
		}
		return v
	}
	blank := func(unit string) *Vehicle { return NewVehicle(unit, "", plain{}, &set) }
	before := heap()
	s := newShelf(blank)
	for u := range units {
		s.put(build(u))
	}
	packed := 0
	for _, p := range s.units {
		packed += len(p.packed)
	}
	size := float64(heap()-before) / (units * tests)
	if n := len(s.units); n != units || len(s.awake) > s.most {
		b.Fatalf("%d units, %d awake", n, len(s.awake))
	}
	u := 0
	for b.Loop() {
		s.wake(fmt.Sprintf("unit-%05d", u%units))
		u++
	}
	b.ReportMetric(size, "B/series")
	b.ReportMetric(float64(packed)/float64((units-len(s.awake))*tests), "packed-B/series")
	b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N), "us/wake+rest")
	b.ReportMetric(0, "ns/op")
	runtime.KeepAlive(s)
}
