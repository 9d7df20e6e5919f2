package lake

import (
	"fmt"
	"sync"

	"marginline/ingest/series"
)

// A scan reads the results in one file of the readings table, forward, a stretch of rows at a time.
type scan struct {
	lanes
	owner   *buffer // of report_id: to check that rows are whose they should be
	results []series.Result
	used    int // of them, since the file was opened
	rows    []row
}

// scans are closed ones: their buffers are 2 MB.
var scans = sync.Pool{New: func() any { return &scan{} }}

func (r *reader) scan(path string) (*scan, error) {
	s := scans.Get().(*scan)
	t := &specs[readings]
	if err := s.begin(r.ctx, t, path); err != nil {
		scans.Put(s)
		return nil, err
	}
	for i := range t.columns {
		if c := &t.columns[i]; c.own && c.name != "ord" {
			s.use(i, r.texts)
		}
	}
	owner, ok := s.use(t.column("report_id"), nil)
	if !ok {
		s.close()
		return nil, fmt.Errorf("data file %s: no column report_id", path)
	}
	owner.keep, s.owner = true, owner.buffer
	return s, nil
}

// close ends a scan and with it the results that it gave.
func (s *scan) close() {
	s.end()
	clear(s.results[:s.used]) // nothing that was read is kept
	s.used = 0
	scans.Put(s)
}

// read decodes n rows from a row of the file on, which is not before those of the last call. The results
// are good until the next call.
func (s *scan) read(from int64, n int) ([]series.Result, error) {
	if len(s.results) < n {
		s.results = make([]series.Result, max(n, stretch))
		s.rows = make([]row, len(s.results))
		for i := range s.rows {
			s.rows[i].r = &s.results[i]
		}
	}
	s.used = max(s.used, n)
	blank := series.NewResult()
	for i := range s.results[:n] {
		s.results[i] = blank
	}
	return s.results[:n], s.lanes.read(from, s.rows[:n])
}

// belongs checks that rows of the last stretch, counted from its start, are those of a report.
func (s *scan) belongs(from, n int, report string) error {
	for _, i := range [...]int{from, from + n - 1} {
		if id := s.owner.texts[i]; string(id) != report {
			return fmt.Errorf("data file %s: a row belongs to report %q, expected %q", s.path, id, report)
		}
	}
	return nil
}
