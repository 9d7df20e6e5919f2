package fleetsim

import (
	"cmp"
	"container/heap"
	"math/rand/v2"
	"time"

	"marginline/ingest/report"
)

// A Sent is one report as it was published.
type Sent struct {
	Device   string
	Received time.Time
	Payload  []byte         // JSON form
	Report   *report.Report // what Payload says
}

// A parcel is a report on its way.
type parcel struct {
	received time.Time
	order    uint64 // vehicle and ordinal: ties are settled the same way every time
	poll     poll
	id       string // another id for the same content; "" for the report's own
	wrong    time.Time
}

type parcels []parcel

func (p parcels) Len() int { return len(p) }
func (p parcels) Less(i, j int) bool {
	return cmp.Or(p[i].received.Compare(p[j].received), cmp.Compare(p[i].order, p[j].order)) < 0
}
func (p parcels) Swap(i, j int) { p[i], p[j] = p[j], p[i] }
func (p *parcels) Push(x any)   { *p = append(*p, x.(parcel)) }
func (p *parcels) Pop() any {
	old := *p
	x := old[len(old)-1]
	old[len(old)-1] = parcel{}
	*p = old[:len(old)-1]
	return x
}

// A link is the way from one dongle to us.
type link struct {
	rng     *rand.Rand
	faults  bool
	outages []window
	n       uint64
}

// drawOutages gives some dongles a time without coverage or power.
func (l *link) drawOutages(from, to time.Time) {
	r := l.rng
	weeks := to.Sub(from).Hours() / 24 / 7
	for at := from; ; {
		at = at.Add(days(r.ExpFloat64() * 70 * 7)) // one in 70 weeks
		length := days(between(r, 1, 12))
		if at.Add(length).After(to) || weeks < 2 {
			return
		}
		l.outages = append(l.outages, window{at, at.Add(length)})
		at = at.Add(length)
	}
}

// take puts a report on its way: some seconds usually; hours to days late, twice, or after the outage in
// any order when the link has faults.
func (l *link) take(v *vehicle, p poll, to *parcels) {
	r := l.rng
	l.n++
	x := parcel{received: p.at.Add(time.Duration(between(r, 1, 25)) * time.Second), order: uint64(v.n)<<40 | l.n<<2, poll: p}
	late, twice, renamed, lost := r.Float64(), r.Float64(), r.Float64(), r.Float64()
	delay, again := between(r, 0.1, 72), between(r, 5, 4000)
	if l.faults && late < 0.008 {
		x.received = x.received.Add(time.Duration(delay * float64(time.Hour)).Truncate(time.Second))
	}
	if l.faults && lost < 0.0004 { // the clock has lost its battery
		x.wrong = time.Date(1970, 1, 1, 0, 0, int(p.at.Unix()%86400), 0, time.UTC)
	}
	double := 0.01
	for _, o := range l.outages {
		if o.holds(p.at) {
			x.received = o.to.Add(time.Duration(r.IntN(5400)+60) * time.Second)
			double = 0.015
		}
	}
	heap.Push(to, x)
	if !l.faults && len(l.outages) == 0 || twice >= double {
		return
	}
	y := x
	y.received, y.order = x.received.Add(time.Duration(again)*time.Second), x.order|1
	if renamed < 0.15 {
		y.id = "again"
	}
	heap.Push(to, y)
}

// A play is one performance of the fleet's history, day by day.
type play struct {
	vehicles []*vehicle
	links    []*link
	waiting  parcels
	weather  []*climate
	from     time.Time // of the next local day
	words    bool      // write the reports out; otherwise only the truth is wanted
	extra    time.Time // from when on dongles poll every few minutes; zero for never
}

// localDay is the beginning of the local day of t, in UTC.
func localDay(t time.Time) time.Time {
	return t.Add(localOffset).Truncate(day).Add(-localOffset)
}

// next lives one more day. All reports received before the new p.from are then known.
func (p *play) next() {
	for i, v := range p.vehicles {
		v.drive(p.from, p.words, p.extra, func(x poll) { p.links[i].take(v, x, &p.waiting) })
	}
	p.from = p.from.Add(day)
}

// until hands out what is received by t.
func (p *play) until(t time.Time, yield func(parcel) bool) bool {
	for {
		for len(p.waiting) > 0 && !p.waiting[0].received.After(t) && p.waiting[0].received.Before(p.from) {
			if !yield(heap.Pop(&p.waiting).(parcel)) {
				return false
			}
		}
		if p.from.After(t) {
			return true
		}
		p.next()
	}
}

// open writes a parcel out.
func (x *parcel) open() (Sent, error) {
	r := *x.poll.report
	r.Received = x.received
	if x.id != "" {
		r.ID += "-" + x.id
	}
	if !x.wrong.IsZero() {
		r.Time = x.wrong
	}
	b, err := r.Encode()
	return Sent{Device: r.Device, Received: x.received, Payload: b, Report: &r}, err
}
