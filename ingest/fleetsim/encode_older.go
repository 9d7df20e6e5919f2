package fleetsim

import (
	"math"
)

// older writes the messages of the buses before CAN: one parameter a message, test results with one limit
// each, codes by threes, identity in parts of four bytes (SAE J1979, from memory).
func (p *page) older(first bool) {
	v := p.v
	from := v.family.from
	if first {
		p.parts(0x04, padded(v.cal))
		if v.ignitions%7 == 0 {
			p.parts(0x02, append([]byte{0, 0, 0}, v.unit.VIN...))
		}
	}
	run := uint16(min(p.into().Seconds(), 65535))
	p.add(from, append([]byte{0x41, 0x01}, v.status(p.t, false)...)...)
	p.add(from, 0x41, 0x05, clampByte(coolant(p.t, p.into())+40))
	p.add(from, 0x41, 0x0F, clampByte(p.t.ambient+6+40))
	p.add(from, 0x41, 0x1F, byte(run>>8), byte(run))
	p.add(from, 0x41, 0x2F, clampByte(p.fuel()*2.55))
	p.add(from, 0x41, 0x30, byte(v.warmups))
	p.add(from, be([]byte{0x41, 0x31}, int32(min(v.clearKm+p.t.km*p.share(), 65535)))...)
	p.add(from, 0x41, 0x33, clampByte(v.drv.climate.barometric))
	for _, m := range v.tests {
		raw := m.raw
		send := func(component byte, limit int32) {
			if !m.ran {
				limit = 0
			}
			p.add(from, be(be([]byte{0x46, m.id.mid, component}, raw), limit)...)
		}
		if !math.IsNaN(m.hi) {
			send(m.id.tid, m.rawMax)
		}
		if !math.IsNaN(m.lo) {
			send(m.id.tid|0x80, m.rawMin) // the top bit says that the limit is a minimum
		}
	}
	p.threes(0x43, func(c *code) bool { return c.stored })
	p.threes(0x47, func(c *code) bool { return c.pending })
}

// parts writes an info type in messages of four bytes, numbered from 1.
func (p *page) parts(kind byte, b []byte) {
	for i := 0; i < len(b); i += 4 {
		p.add(p.v.family.from, append([]byte{0x49, kind, byte(i/4 + 1)}, b[i:i+4]...)...)
	}
}

// threes writes codes, three a message, padded with zeros.
func (p *page) threes(service byte, has func(*code) bool) {
	b := []byte{service}
	flush := func() {
		for len(b) < 7 {
			b = append(b, 0)
		}
		p.add(p.v.family.from, b...)
		b = []byte{service}
	}
	sent := false
	for _, c := range p.v.codes {
		if !has(c) {
			continue
		}
		if b = be(b, int32(c.number)); len(b) == 7 {
			flush()
			sent = true
		}
	}
	if len(b) > 1 || !sent {
		flush()
	}
}
