package fleetsim

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"iter"
	"time"

	"marginline/ingest/fleet"
)

// A Fleet is an invented fleet and its whole history. It is safe for concurrent reading; each reading of
// the reports plays the history anew.
type Fleet struct {
	cfg   Config
	units []fleet.Unit
	truth []Fault
	count int
}

// New invents a fleet. It plays the history once, without writing reports, to know its truth.
func New(c Config) (*Fleet, error) {
	c, err := c.check()
	if err != nil {
		return nil, err
	}
	f := &Fleet{cfg: c}
	p := f.play(false)
	p.until(c.End, func(x parcel) bool {
		if x.received.After(c.start()) {
			f.count++
		}
		return true
	})
	for _, v := range p.vehicles {
		f.units = append(f.units, v.present(c.End))
		for _, w := range v.faults {
			f.truth = append(f.truth, w.Fault.asOf(c.End))
		}
	}
	return f, nil
}

// asOf leaves out what has not happened by t. LimitAt is the plan and stays.
func (f Fault) asOf(t time.Time) Fault {
	for _, at := range []*time.Time{&f.Crosses, &f.CodeAt, &f.Repaired, &f.Healed} {
		if at.After(t) {
			*at = time.Time{}
		}
	}
	return f
}

// Roster is the fleet's roster as it stands at the end of the history.
func (f *Fleet) Roster() (*fleet.Roster, error) { return fleet.New(f.units) }

// Count is the number of reports of the history.
func (f *Fleet) Count() int { return f.count }

// Truth is every fault of the history, by unit. What is not in it is healthy.
func (f *Fleet) Truth() []Fault { return f.truth }

// Reports gives the history in the order of publishing.
func (f *Fleet) Reports() iter.Seq[Sent] {
	return func(yield func(Sent) bool) {
		p := f.play(true)
		p.until(f.cfg.End, func(x parcel) bool {
			if !x.received.After(f.cfg.start()) {
				return true
			}
			s, err := x.open()
			if err != nil {
				panic(fmt.Sprintf("fleetsim: %v", err)) // our own report is never refused
			}
			return yield(s)
		})
	}
}

// WriteReports writes the history as one JSON object a line. progress, which may be nil, is told the
// number of reports written.
func (f *Fleet) WriteReports(w io.Writer, progress func(n int)) error {
	out := bufio.NewWriterSize(w, 1<<16)
	n := 0
	for s := range f.Reports() {
		out.Write(s.Payload)
		if err := out.WriteByte('\n'); err != nil {
			return fmt.Errorf("reports: %w", err)
		}
		if n++; progress != nil {
			progress(n)
		}
	}
	if err := out.Flush(); err != nil {
		return fmt.Errorf("reports: %w", err)
	}
	return nil
}

// WriteRoster writes the roster as CSV.
func (f *Fleet) WriteRoster(w io.Writer) error {
	r, err := f.Roster()
	if err != nil {
		return err
	}
	return r.WriteCSV(w)
}

// WriteTruth writes the truth as a JSON array.
func (f *Fleet) WriteTruth(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", " ")
	if err := e.Encode(f.truth); err != nil {
		return fmt.Errorf("truth: %w", err)
	}
	return nil
}

// A Live goes on where the history ends. It is for one goroutine at a time.
type Live struct{ play *play }

// Live plays the history again, without writing it, and goes on from its end. Each call starts anew.
func (f *Fleet) Live() *Live {
	p := f.play(false)
	p.extra = f.cfg.End
	p.words = false
	l := &Live{play: p}
	l.skip(f)
	return l
}

// Next is what is published up to now and was not handed out before. Vehicles on the road are read every
// few minutes.
func (l *Live) Next(now time.Time) []Sent {
	var out []Sent
	l.play.until(now, func(x parcel) bool {
		s, err := x.open()
		if err != nil {
			panic(fmt.Sprintf("fleetsim: %v", err)) // our own report is never refused
		}
		out = append(out, s)
		return true
	})
	return out
}

// skip lives through the history. From some days before its end on reports are written, for those that are
// still on their way.
func (l *Live) skip(f *Fleet) {
	p := l.play
	for p.from.Before(f.cfg.End.AddDate(0, 0, -20)) {
		p.next()
	}
	p.words = true
	p.until(f.cfg.End, func(parcel) bool { return true })
	kept := p.waiting[:0]
	for _, x := range p.waiting {
		if x.poll.report != nil {
			kept = append(kept, x)
		}
	}
	p.waiting = kept
}
