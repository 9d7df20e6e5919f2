package analyze

import (
	"crypto/sha256"
	"encoding/binary"
	"hash"
	"math"
	"time"

	"marginline/ingest/series"
)

// digester hashes state field by field, in a fixed order. Two states with the same digest give the same
// answers now and after any further polls.
type digester struct {
	h   hash.Hash
	buf []byte
}

func newDigester() *digester { return &digester{h: sha256.New()} }

func (d *digester) ints(list ...int64) {
	for _, n := range list {
		d.buf = binary.LittleEndian.AppendUint64(d.buf, uint64(n))
	}
	d.flush(4096)
}

func (d *digester) floats(list ...float64) {
	for _, f := range list {
		if f != f {
			f = math.NaN() // one NaN
		}
		d.buf = binary.LittleEndian.AppendUint64(d.buf, math.Float64bits(f))
	}
	d.flush(4096)
}

func (d *digester) strings(list ...string) {
	for _, s := range list {
		d.buf = binary.LittleEndian.AppendUint32(d.buf, uint32(len(s)))
		d.buf = append(d.buf, s...)
	}
	d.flush(4096)
}

func (d *digester) bools(list ...bool) {
	for _, b := range list {
		d.buf = append(d.buf, byte(series.TriOf(b)))
	}
}

func (d *digester) flush(above int) {
	if len(d.buf) > above {
		d.h.Write(d.buf)
		d.buf = d.buf[:0]
	}
}

func (d *digester) sum() (sum [32]byte) {
	d.flush(0)
	d.h.Sum(sum[:0])
	return sum
}

// digest is the digest of the whole state of the vehicle.
func (v *Vehicle) digest() [32]byte {
	d := newDigester()
	d.strings(v.unit, v.vin, v.set.Version, v.report)
	d.bools(v.any, v.clock.any)
	d.ints(v.first, v.last, v.polls, int64(v.days), v.day, int64(v.clock.trip), v.clock.at, int64(len(v.watch)))
	d.floats(v.clock.run, v.fuel, v.km)
	d.ints(v.fuelAt, v.filledAt)
	for i := range v.watch {
		v.watch[i].digest(d)
	}
	for _, c := range v.cals {
		d.strings(c.ecu, c.id)
		d.ints(int64(c.swaps), c.changedAt)
	}
	for _, g := range v.groups {
		d.strings(g.ecu, g.monitor)
		d.ints(int64(g.id))
		d.bools(g.many)
	}
	for _, c := range v.codes {
		d.strings(c.ecu, c.code)
		d.ints(c.at)
	}
	d.ints(int64(v.happened))
	for _, h := range v.happenings[min(int(v.happened), len(v.happenings)):] { // they come with later polls
		d.strings(string(h.Kind), h.Family, h.ECU, h.Device)
		d.ints(h.At.UnixMicro())
	}
	for _, s := range v.signals {
		s.digest(d)
	}
	return d.sum()
}

func (w *watch) digest(d *digester) {
	d.strings(w.ecu, w.test, w.family, w.last.unit, w.epoch.cal)
	d.ints(int64(w.group), int64(w.repeats), int64(w.well), w.wellAt)
	d.bools(w.live, w.measured, w.seen.any, w.seen.notRun, w.epoch.moving, w.held != nil, w.counts != nil)
	d.ints(int64(w.seen.raw.Value), int64(w.seen.raw.Min), int64(w.seen.raw.Max), int64(w.seen.done),
		int64(w.seen.runs), int64(w.seen.trip), int64(w.seen.ran))
	e := &w.epoch
	d.ints(int64(e.n), int64(e.unit), int64(e.limits.min), int64(e.limits.max), int64(e.fresh), int64(e.total), int64(e.swaps), int64(w.numerator),
		int64(e.changes), int64(e.turns[0]), int64(e.turns[1]))
	l := &w.last
	d.ints(l.at, l.freshAt, int64(l.state), int64(l.passed))
	d.floats(l.value, l.min, l.max, l.margin)
	for i := range w.side {
		w.side[i].digest(d)
	}
	d.ints(int64(w.idle.from), int64(w.idle.last), int64(w.idle.longest), int64(w.idle.fresh), int64(w.idle.claim),
		int64(w.idle.raw[0]), int64(w.idle.raw[1]), int64(w.idle.again))
	c := &w.cover
	d.floats(c.xx, c.xy, c.w, c.x)
	d.floats(c.ref[:]...)
	for _, n := range c.n {
		d.ints(int64(n))
	}
	for i := range w.asides {
		a := &w.asides[i]
		d.ints(a.at)
		d.floats(a.used, a.ambient, a.fuel, a.pressure)
		d.bools(a.filled, a.far)
	}
	d.ints(int64(w.aside), int64(len(w.asides)))
	d.floats(w.tuned.centre)
	w.tuned.cohort.digest(d)
	for _, n := range w.open {
		d.ints(int64(n))
	}
	if k := w.counts; k != nil {
		d.floats(k.shape, k.rate, k.c, k.level, k.base)
		d.ints(k.zero, int64(k.n), int64(k.run), k.runAt)
		d.bools(k.standing)
	}
	if f := w.floor; f != nil {
		for i := range f.side {
			f.side[i].digest(d)
			d.ints(int64(f.n[i]))
			for _, p := range f.last[i] {
				d.floats(p.x)
				d.ints(p.at)
			}
		}
	}
	if h := w.held; h != nil {
		d.strings(h.report, h.cal)
		d.ints(h.at, int64(h.trip), int64(h.result.Raw.Value), int64(h.result.Raw.Min), int64(h.result.Raw.Max))
	}
}

func (s *stream) digest(d *digester) {
	d.bools(s.on, s.standing, s.sick)
	d.floats(s.sign, s.limit, s.scale, s.learnt.floor, s.learnt.m, s.learnt.kappa, s.learnt.nu, s.learnt.v,
		s.base, s.baseV, s.null, s.prev, s.trend.l, s.trend.b, s.trend.p11, s.trend.p12, s.trend.p22, s.trend.lag)
	d.floats(s.least, s.farFrom, s.before, s.wild)
	d.ints(int64(s.bank.c[0]), int64(s.bank.c[1]), int64(s.bank.c[2]), int64(s.wide))
	d.floats(s.past[0].x, s.past[1].x)
	d.ints(s.past[0].at, s.past[1].at)
	d.ints(int64(s.n), s.bank.zero, s.at, int64(s.run), s.runAt, int64(s.far), s.farAt, int64(s.low), s.lowAt)
}

func (s *Signal) digest(d *digester) {
	e := &s.Evidence
	d.strings(s.Key.Unit, s.Key.ECU, s.Key.Test, s.VIN, s.Family, string(s.Kind), s.Ended, e.Settings, e.Parameters, s.Explained, e.Toward, e.UnitOfMeasure)
	d.ints(micros(s.RaisedAt), micros(s.EndedAt), micros(e.Since), int64(e.Epoch), int64(e.Fresh))
	d.floats(e.Baseline, e.Spread, e.Value, e.Limit, e.Used, e.Score, e.Threshold, e.OdometerKm)
}

// micros is the inverse of timeOf.
func micros(t time.Time) int64 {
	if t.IsZero() {
		return 0
	}
	return t.UnixMicro()
}
