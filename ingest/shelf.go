package ingest

import (
	"sync"
	"sync/atomic"

	"marginline/ingest/obd"
	"marginline/ingest/series"
)

// A shelf is memory for the results of some polls, half of what intake makes. It is used again when all of them are
// committed and folded. A poll that comes to nothing leaves its shelf to the garbage collector.
type shelf struct {
	results []series.Result
	held    atomic.Int64 // polls that are not done with, and one while a reader fills it
}

const shelfResults = 2048

var shelves = sync.Pool{New: func() any { return &shelf{results: make([]series.Result, 0, shelfResults)} }}

// keep copies what a decoder read, which holds no longer than the next report.
func (with *reader) keep(rep *obd.Report) ([]series.Result, *shelf) {
	from := rep.Results()
	if s := with.shelf; s == nil || len(s.results)+len(from) > cap(s.results) {
		s.done()
		if len(from) > shelfResults {
			with.shelf = nil
			return append([]series.Result(nil), from...), nil
		}
		with.shelf = shelves.Get().(*shelf)
		with.shelf.held.Store(1)
	}
	s := with.shelf
	s.held.Add(1)
	n := len(s.results)
	s.results = append(s.results, from...)
	return s.results[n:len(s.results):len(s.results)], s
}

// done says that a poll, or the reader, needs the shelf no more.
func (s *shelf) done() {
	if s != nil && s.held.Add(-1) == 0 {
		s.results = s.results[:0]
		shelves.Put(s)
	}
}
