package fleetsim

import (
	"fmt"
	"math"
	"slices"
	"time"

	"marginline/ingest/report"
	"marginline/ingest/series"
)

// A page collects the messages of one report.
type page struct {
	v        *vehicle
	t        *trip
	at       time.Time
	messages []report.Message
}

func (p *page) into() time.Duration { return p.at.Sub(p.t.start) }

func (p *page) share() float64 { return min(1, float64(p.into())/float64(p.t.length)) }

func (p *page) fuel() float64 {
	return max(2, p.t.fuel-p.share()*p.t.km*p.v.drv.litresPer/p.v.drv.tankL*100)
}

// can adds a message that begins with a service byte.
func (p *page) add(from string, data ...byte) {
	p.messages = append(p.messages, report.Message{From: from, PGN: series.None, Data: slices.Clone(data)})
}

// group adds the payload of a parameter group.
func (p *page) group(from string, pgn int32, data ...byte) {
	p.messages = append(p.messages, report.Message{From: from, PGN: pgn, Data: slices.Clone(data)})
}

// write makes the report of a poll. first says that it is the day's first: identity and counters come with
// it.
func (v *vehicle) write(device string, at time.Time, t *trip, first bool) *report.Report {
	p := &page{v: v, t: t, at: at}
	bus, err := series.ParseBus(v.bus)
	if err != nil {
		panic(err) // a slip in the catalogue
	}
	switch v.family.protocol {
	case onTruck:
		p.truck(first)
	case onOlder:
		p.older(first)
	default:
		p.car(first)
	}
	r := &report.Report{
		ID: fmt.Sprintf("%s-%x", device, at.Unix()), Device: device, Time: at, Bus: bus,
		OdometerKm: math.Round((v.km+t.km*p.share())*10) / 10, EngineHours: math.NaN(), Messages: p.messages,
	}
	if v.namesVIN {
		r.VIN = v.unit.VIN
	}
	if v.family.diesel {
		r.EngineHours = math.Round((v.hours+p.into().Hours())*10) / 10
	}
	return r
}

// be appends a 16-bit number, high byte first; negative ones as two's complement.
func be(b []byte, n int32) []byte { return append(b, byte(n>>8), byte(n)) }

// le appends one low byte first.
func le(b []byte, n int32) []byte { return append(b, byte(n), byte(n>>8)) }

func clampByte(x float64) byte { return byte(min(max(math.Round(x), 0), 255)) }

// limits gives the limits as the protocol sends them, absent ones as its sentinel.
func (m *monitor) sent() (lo, hi int32) {
	lo, hi = m.rawMin, m.rawMax
	if math.IsNaN(m.lo) {
		lo = 0
		if m.signed {
			lo = math.MinInt16
		}
	}
	if math.IsNaN(m.hi) {
		hi = 0xFFFF
		if m.signed {
			hi = math.MaxInt16
		}
	}
	return lo, hi
}

// car writes the messages of ISO 15765-4: service $06 with one message a monitor, $01, $03, $07, $0A, $09
// (SAE J1979, from memory).
func (p *page) car(first bool) {
	v := p.v
	from := v.family.from
	if first {
		p.add(from, append([]byte{0x49, 0x04, 1}, padded(v.cal)...)...)
		if v.ignitions%7 == 0 {
			p.add(from, append([]byte{0x49, 0x02, 1}, v.unit.VIN...)...)
		}
		p.counters(from)
	}
	load := uint16(min(p.into().Seconds(), 65535))
	p.add(from, slices.Concat([]byte{0x41, 0x01}, v.status(p.t, false), []byte{0x1F, byte(load >> 8), byte(load),
		0x2F, clampByte(p.fuel() * 2.55), 0x30, byte(v.warmups)}, be([]byte{0x31}, int32(min(v.clearKm+p.t.km*p.share(), 65535))),
		[]byte{0x33, clampByte(v.drv.climate.barometric)})...)
	more := slices.Concat([]byte{0x41, 0x41}, v.status(p.t, true), []byte{0x46, clampByte(p.t.ambient + 40),
		0x05, clampByte(coolant(p.t, p.into()) + 40), 0x0F, clampByte(p.t.ambient + 6 + 40)})
	if v.family.odometer {
		tenths := uint32((v.km + p.t.km*p.share()) * 10)
		more = append(more, 0xA6, byte(tenths>>24), byte(tenths>>16), byte(tenths>>8), byte(tenths))
	}
	p.add(from, more...)
	for i := 0; i < len(v.tests); {
		b := []byte{0x46}
		mid := v.tests[i].id.mid
		for ; i < len(v.tests) && v.tests[i].id.mid == mid; i++ {
			m := v.tests[i]
			b = append(b, mid, m.id.tid, m.id.uas)
			if !m.ran {
				b = append(b, 0, 0, 0, 0, 0, 0)
				continue
			}
			lo, hi := m.sent()
			b = be(be(be(b, m.raw), lo), hi)
		}
		p.add(from, b...)
	}
	p.misfires(from)
	p.carCodes(from)
}

// misfires writes monitor A1 for all cylinders and A2 on for each.
func (p *page) misfires(from string) {
	v := p.v
	if v.family.misfires == noMisfires {
		return
	}
	limit := int32(0xFFFF)
	if v.family.misfires == averageLimited {
		limit = misfireLimit
	}
	record := func(mid byte, mean, last int32, limit int32) {
		b := be(be(be([]byte{0x46, mid, 0x0B, 0x24}, mean), 0), limit)
		b = be(be(be(append(b, mid, 0x0C, 0x24), last), 0), 0xFFFF)
		p.add(from, b...)
	}
	var means, lasts int32
	for _, c := range v.cylinders {
		means += int32(c.mean)
		lasts += c.counted(p)
	}
	record(0xA1, means, lasts, 0xFFFF)
	for i, c := range v.cylinders {
		record(0xA2+byte(i), int32(c.mean), c.counted(p), limit)
	}
}

// counted is what test id 0C shows: the count of this trip so far.
func (c *cylinder) counted(p *page) int32 { return int32(float64(c.count) * p.share()) }

func (p *page) carCodes(from string) {
	for _, kind := range []struct {
		service byte
		has     func(*code) bool
	}{
		{0x43, func(c *code) bool { return c.stored }},
		{0x47, func(c *code) bool { return c.pending }},
		{0x4A, func(c *code) bool { return c.forever }},
	} {
		b := []byte{kind.service, 0}
		for _, c := range p.v.codes {
			if kind.has(c) {
				b = be(b, int32(c.number))
				b[1]++
			}
		}
		p.add(from, b...)
	}
}

func padded(cal string) []byte {
	b := make([]byte, 16)
	copy(b, cal)
	return b
}

// Bits of bytes C and D of PID 01 and 41, by family of monitor (SAE J1979-DA, from memory).
var (
	sparkBits       = map[string]byte{"catalyst": 0, "evap": 2, "secondary_air": 3, "o2_sensor": 5, "o2_heater": 6, "egr": 7, "vvt": 7}
	compressionBits = map[string]byte{"catalyst": 0, "nox_catalyst_scr": 1, "boost": 3, "o2_heater": 5, "pm_filter": 6, "egr": 7}
)

// status is the four bytes of PID 01 (since clear) or 41 (this driving cycle).
func (v *vehicle) status(t *trip, cycle bool) []byte {
	var b [4]byte
	bits := sparkBits
	b[1] = 0x07
	if v.family.diesel {
		bits, b[1] = compressionBits, 0x0F
	}
	if !cycle {
		for _, c := range v.codes {
			if c.stored {
				b[0]++
			}
			if c.lamp {
				b[0] |= 0x80
			}
		}
	}
	for _, m := range v.tests {
		open := !m.ran || cycle && m.cycle != t.number
		if m.family == "fuel_system" {
			if open {
				b[1] |= 0x20
			}
			continue
		}
		bit, ok := bits[m.family]
		if !ok {
			continue
		}
		b[2] |= 1 << bit
		if open {
			b[3] |= 1 << bit
		}
	}
	return b[:]
}

// counters writes the in-use counters, InfoType 08 or 0B: of each group the monitor that has run least.
func (p *page) counters(from string) {
	v := p.v
	runs := func(family, source string, mids ...byte) (n uint16) {
		least := -1
		for _, m := range v.tests {
			if m.family == family && (len(mids) == 0 || slices.Contains(mids, m.id.mid)) && (least < 0 || int(m.runs) < least) {
				least = int(m.runs)
			}
		}
		return uint16(max(least, 0))
	}
	pair := func(b []byte, n uint16) []byte { return be(be(b, int32(n)), int32(v.conditions)) }
	b := []byte{0x49, 0x08, 0x14}
	if v.family.diesel {
		b = []byte{0x49, 0x0B, 0x10}
	}
	b = be(be(b, int32(v.conditions)), int32(v.ignitions))
	if v.family.diesel {
		for _, f := range []string{"catalyst", "nox_catalyst_scr", "", "pm_filter", "o2_heater", "egr", "boost"} {
			b = pair(b, runs(f, ""))
		}
	} else {
		b = pair(b, runs("catalyst", "", 0x21))
		b = pair(b, runs("catalyst", "", 0x22))
		b = pair(b, runs("o2_sensor", "", 0x01))
		b = pair(b, runs("o2_sensor", "", 0x05))
		b = pair(b, min(orMax(runs("egr", "")), runs("vvt", "")))
		b = pair(b, runs("secondary_air", ""))
		b = pair(b, runs("evap", ""))
		b = pair(b, runs("o2_sensor", "", 0x02))
		b = pair(b, 0)
	}
	p.add(from, b...)
}

func orMax(n uint16) uint16 {
	if n == 0 {
		return math.MaxUint16
	}
	return n
}
