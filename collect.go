package main

import (
	"runtime"
	"runtime/debug"
	"runtime/metrics"
)

// How far the heap grows between two rounds of the garbage collector. Intake makes much that lives for one commit, and at
// the usual 100 % of what is in use collecting it takes a quarter of the time: so 200 % of a small heap. While the whole
// fleet is folded again or files are merged much is in use for moments, and three times that would be held: so a large
// heap grows by collectRoom and no more, down to a share at which collecting still pays. GOGC and GOMEMLIMIT (Go's own
// environment variables) set it otherwise.
const (
	collectAt    = 200       // percent, at most
	collectLeast = 40        // percent
	collectRoom  = 160 << 20 // bytes
)

// paceCollector sets the pace now and after every round of the collector, which the end of an object that nobody
// holds tells.
func paceCollector() {
	live := []metrics.Sample{{Name: "/gc/heap/live:bytes"}}
	metrics.Read(live)
	debug.SetGCPercent(pace(live[0].Value.Uint64()))
	runtime.AddCleanup(&struct{ _ [16]byte }{}, func(struct{}) { paceCollector() }, struct{}{})
}

// pace is by how many percent a heap of so many bytes in use may grow.
func pace(live uint64) int {
	return int(min(collectAt, max(collectLeast, 100*collectRoom/max(live, 1))))
}
