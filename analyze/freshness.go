package analyze

import "marginline/ingest/series"

// A control unit keeps a result until the test runs again, so most readings are repeats. What was seen
// of a test, to tell a new result from a stored one.
type seen struct {
	raw    series.Raw // of the last sample; meaningless until any is true
	any    bool       // a sample was read
	notRun bool       // the test was read as not run since
	done   series.Tri // completion bit of the group, in this driving cycle
	runs   int32      // in-use numerator of the group, as first read with or after the last fresh result
	trip   uint32     // driving cycle of the last reading
	ran    uint32     // driving cycle in which the last fresh result was read
}

// fresh says whether a readable result is new evidence, and remembers it:
//
//   - not run before, now run;
//   - raw value or limit changed;
//   - alone only (the group has a single monitor on that control unit): its completion bit is newly set in
//     this driving cycle and no new result was read in it before, or its in-use numerator has risen since it was read
//     with or after the last new result. Bits and numerators are often read less often than results: the
//     same run must not count twice, nor one whose result was overwritten before it was read. In a larger group a bit does not say which sibling ran.
//
// The first result of an epoch is fresh too; the caller knows epochs. Sources: SAE J1979 and ISO 15031-5
// (a stored result is kept until the test completes again), 13 CCR 1968.2 (d)(4) for the numerators; from
// memory.
func (s *seen) fresh(r *series.Result, trip uint32, alone bool) bool {
	fresh := !s.any || s.notRun || r.Raw != s.raw
	if alone {
		wasDone := s.done == series.True && s.trip == trip || s.any && s.ran == trip
		knew := s.done != series.Unknown
		fresh = fresh || r.Done == series.True && knew && !wasDone
		fresh = fresh || r.Runs != series.None && s.runs != series.None && r.Runs > s.runs
	}
	s.raw, s.any, s.notRun = r.Raw, true, false
	if fresh {
		s.ran, s.runs = trip, series.None
	}
	s.note(r, trip)
	return fresh
}

// note remembers completion and numerator of a reading, whatever its state.
func (s *seen) note(r *series.Result, trip uint32) {
	if r.Done != series.Unknown {
		s.done, s.trip = r.Done, trip
	}
	if r.Runs != series.None && (s.runs == series.None || r.Runs < s.runs) {
		s.runs = r.Runs
	}
}

// liveCounter is the test id of misfires in the last or current driving cycle (SAE J1979, from memory):
// a counter that runs on within a trip, so only its last value of a trip is a result.
const liveCounter = 0x0C

func isLive(r *series.Result, bus series.Bus) bool {
	return r.TID == liveCounter && r.MID != series.None && (bus == series.CAN || bus == series.UDS)
}

// clock follows the driving cycles of a vehicle by its run time since engine start.
type clock struct {
	trip uint32  // counts driving cycles
	at   int64   // read_at (us) of the last poll that told run time
	run  float64 // seconds
	any  bool
}

// slack is how much the run time may lag behind the time between two polls before it means that the
// engine was started again in between, in seconds.
const slack = 300

// silence without any run time ends a trip after this many seconds.
const silence = 6 * 60 * 60

// tick takes the time and run time (NaN when not read) of a poll and returns the driving cycle it is in.
func (c *clock) tick(at int64, run float64) uint32 {
	between := float64(at-c.at) / 1e6
	switch {
	case !c.any:
	case run != run || c.run != c.run:
		if between > silence {
			c.trip++
		}
	case run < c.run || run+slack < between:
		c.trip++
	}
	c.at, c.run, c.any = at, run, true
	return c.trip
}
