package main

import (
	"context"
	"fmt"
	"hash/fnv"
	"io"
	"iter"
	"log/slog"
	"math"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"marginline/ingest/broker"
	"marginline/ingest/fleetsim"
)

// lanes is how many publishes are under way at once; a dongle's reports keep to one lane and so in order.
const lanes = 8

// reportsADay is what a vehicle sends, rounded down; it only says how many days of history a run needs.
const reportsADay = 2

// aged is how old the fleet is when the feed begins. An invented fleet begins without faults, and for weeks more and more vehicles
// have stored codes: the table of codes would be committed to more and more often, which is no steady load.
const aged = 60 * 24 * time.Hour

// A feed publishes the reports of an invented fleet at a steady rate.
type feed struct {
	fleet *fleetsim.Fleet
	next  func() (fleetsim.Sent, bool) // gives its reports in the order of sending
	stop  func()
	rate  float64
	log   *slog.Logger
	sent  atomic.Int64
	again atomic.Int64 // how often a report was not acknowledged in time
	late  atomic.Int64 // how far behind the rate the feed was at worst, nanoseconds

	mu  sync.Mutex
	ids map[string]bool
}

func newFeed(o options, log *slog.Logger) (*feed, error) {
	need := o.rate * o.length.Seconds()
	days := int(math.Ceil(need/float64(o.units*reportsADay))) + 2
	old, end := int(aged/(24*time.Hour)), time.Now().UTC().Truncate(time.Second)
	fl, err := fleetsim.New(fleetsim.Config{Units: o.units, Days: old + days, Seed: o.seed, End: end, Delivery: true, Repairs: true})
	if err != nil {
		return nil, err
	}
	f := &feed{fleet: fl, rate: o.rate, log: log, ids: map[string]bool{}}
	f.next, f.stop = iter.Pull(fl.Reports())
	left := fl.Count()
	for from := end.AddDate(0, 0, -days); left > 0; left-- { // the first that is as young is left out too
		if s, ok := f.next(); !ok || s.Received.After(from) {
			break
		}
	}
	if float64(left-1) < need {
		return nil, fmt.Errorf("the invented fleet has %d reports in its last %d days; %.0f are needed: take more -units", left-1, days, need)
	}
	return f, nil
}

func (f *feed) roster(w io.Writer) error { return f.fleet.WriteRoster(w) }

func (f *feed) distinct() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.ids)
}

// run publishes for the given time. A report that is not acknowledged is sent again, as a dongle would; one that is
// refused ten times ends the run: the service must take every report.
func (f *feed) run(ctx context.Context, url string, length time.Duration) error {
	log, err := broker.Open(ctx, broker.Config{URL: url}, f.log)
	if err != nil {
		return err
	}
	defer log.Close()
	group, ctx := errgroup.WithContext(ctx)
	var lane [lanes]chan fleetsim.Sent
	for i := range lane {
		lane[i] = make(chan fleetsim.Sent, 64)
		group.Go(func() error { return f.publish(ctx, log, lane[i]) })
	}
	group.Go(func() error {
		defer func() {
			for i := range lane {
				close(lane[i])
			}
		}()
		return f.pace(ctx, length, lane[:])
	})
	return group.Wait()
}

// pace hands out reports when they are due.
func (f *feed) pace(ctx context.Context, length time.Duration, lane []chan fleetsim.Sent) error {
	defer f.stop()
	start := time.Now()
	for n := 0; ; n++ {
		due := start.Add(time.Duration(float64(n) / f.rate * float64(time.Second)))
		if due.Sub(start) >= length {
			return nil
		}
		select {
		case <-time.After(time.Until(due)):
		case <-ctx.Done():
			return ctx.Err()
		}
		s, ok := f.next()
		if !ok {
			return fmt.Errorf("the invented fleet ran out of reports after %d", n)
		}
		h := fnv.New32a()
		h.Write([]byte(s.Device))
		select {
		case lane[h.Sum32()%uint32(len(lane))] <- s:
		case <-ctx.Done():
			return ctx.Err()
		}
		if late := int64(time.Since(due)); late > f.late.Load() {
			f.late.Store(late)
		}
	}
}

func (f *feed) publish(ctx context.Context, log *broker.Broker, from <-chan fleetsim.Sent) error {
	for s := range from {
		r := *s.Report
		r.Received = time.Time{} // a dongle knows nothing of receipt
		payload, err := r.Encode()
		if err != nil {
			return err
		}
		for try := 1; ; try++ {
			_, err := log.Publish(ctx, r.Device, r.ID, payload)
			if err == nil {
				break
			}
			if try == 10 || ctx.Err() != nil {
				return err
			}
			f.again.Add(1)
			f.log.Warn("sent again", "report", r.ID, "err", err)
		}
		f.sent.Add(1)
		f.mu.Lock()
		f.ids[r.ID] = true
		f.mu.Unlock()
	}
	return nil
}
