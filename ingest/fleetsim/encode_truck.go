package fleetsim

import (
	"math"
	"slices"
)

// Parameter groups (SAE J1939-71 and -73, from memory).
const (
	pgnDM6     = 65231
	pgnDM12    = 65236
	pgnDM19    = 54016
	pgnDM20    = 49664
	pgnDM21    = 49408
	pgnDM26    = 64952
	pgnDM28    = 64896
	pgnDM30    = 41984
	pgnVIN     = 65260
	pgnCoolant = 65262
	pgnAmbient = 65269
	pgnDash    = 65276
)

const allResults = 247 // test identifier of DM7: all results of an SPN

// Bits of support and status in DM26, by family (SAE J1939-73, from memory).
var truckBits = map[string]int{"catalyst": 12, "egr": 7, "boost": 9, "pm_filter": 10, "nox_catalyst_scr": 11}

// truckBit is the bit of a monitor; NOx sensors belong to the exhaust gas sensors.
func (m *monitor) truckBit() (int, bool) {
	if m.id.spn == 3226 {
		return 5, true
	}
	bit, ok := truckBits[m.family]
	return bit, ok
}

// truck writes the messages of SAE J1939: the engine at 00, the aftertreatment at 3d.
func (p *page) truck(first bool) {
	v := p.v
	sources := []string{v.family.from, "3d"}
	if first {
		for i, s := range sources {
			cal := v.cal
			if i > 0 {
				cal = "AT" + cal
			}
			p.group(s, pgnDM19, append([]byte{0x5A, byte(len(cal)), cal[len(cal)-1], 0x11}, padded(cal)...)...)
			p.ratios(s)
		}
		if v.ignitions%7 == 0 {
			p.group(v.family.from, pgnVIN, append([]byte(v.unit.VIN), '*')...)
		}
	}
	engine := v.family.from
	kelvin := func(c float64) int32 { return int32(math.Round((c + 273) / 0.03125)) }
	p.group(engine, pgnAmbient, append(le([]byte{clampByte(v.drv.climate.barometric / 0.5), 0xFF, 0xFF}, kelvin(p.t.ambient)), clampByte(p.t.ambient+6+40), 0xFF, 0xFF)...)
	p.group(engine, pgnCoolant, clampByte(coolant(p.t, p.into())+40), 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF)
	p.group(engine, pgnDash, 0xFF, clampByte(p.fuel()/0.4), 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF)
	km := int32(min(v.clearKm+p.t.km*p.share(), 64255))
	p.group(engine, pgnDM21, le(le(le(le(nil, 0), km), 0), int32(min(float64(km)/1.1, 64255)))...)
	for _, s := range sources {
		p.group(s, pgnDM26, v.truckStatus(p, s)...)
	}
	for i := 0; i < len(v.tests); {
		m := v.tests[i]
		var b []byte
		for spn, from := m.id.spn, m.from; i < len(v.tests) && v.tests[i].id.spn == spn && v.tests[i].from == from; i++ {
			b = v.tests[i].record(b)
		}
		p.group(m.from, pgnDM30, b...)
	}
	for _, s := range sources {
		p.lamps(s, pgnDM6, func(c *code) bool { return c.pending })
		p.lamps(s, pgnDM12, func(c *code) bool { return c.stored && c.lamp })
		p.lamps(s, pgnDM28, func(c *code) bool { return c.forever })
	}
}

// record appends a DM30 result: test identifier, SPN and FMI, SLOT, value, maximum, minimum, low bytes
// first. A test that has not run since a clear sends FB00 without limits.
func (m *monitor) record(b []byte) []byte {
	b = append(b, allResults, byte(m.id.spn), byte(m.id.spn>>8), byte(m.id.spn>>16)<<5|m.id.fmi)
	b = le(b, int32(m.id.slot))
	if !m.ran {
		return le(le(le(b, 0xFB00), 0xFFFF), 0xFFFF)
	}
	lo, hi := m.rawMin, m.rawMax
	if math.IsNaN(m.lo) {
		lo = 0xFFFF
	}
	if math.IsNaN(m.hi) {
		hi = 0xFFFF
	}
	return le(le(le(b, m.raw), hi), lo)
}

// truckStatus is DM26: seconds since start, warm-ups since clear, continuous monitors, support, status.
func (v *vehicle) truckStatus(p *page, source string) []byte {
	b := le(nil, int32(min(p.into().Seconds(), 64255)))
	var support, open uint16
	for _, m := range v.tests {
		bit, ok := m.truckBit()
		if !ok || m.from != source {
			continue
		}
		support |= 1 << bit
		if m.cycle != p.t.number || !m.ran {
			open |= 1 << bit
		}
	}
	return append(b, byte(min(v.warmups, 250)), 0x07, byte(support), byte(support>>8), byte(open), byte(open>>8))
}

// lamps writes DM6, DM12 or DM28: two bytes of lamps, four a code.
func (p *page) lamps(source string, pgn int32, has func(*code) bool) {
	b := []byte{0, 0xFF}
	for _, c := range p.v.codes {
		if c.from != source || !has(c) {
			continue
		}
		if c.lamp {
			b[0] |= 0x40
		}
		b = append(b, byte(c.spn), byte(c.spn>>8), byte(c.spn>>16)<<5|c.fmi, min(c.occurred, 126))
	}
	if len(b) == 2 {
		b = append(b, 0, 0, 0, 0)
	}
	if len(b) == 6 {
		b = append(b, 0xFF, 0xFF)
	}
	p.group(source, pgn, b...)
}

// ratios writes DM20: ignition cycles, monitoring conditions, then SPN, numerator and denominator of each
// monitor of this source.
func (p *page) ratios(source string) {
	v := p.v
	b := le(le(nil, int32(v.ignitions)), int32(v.conditions))
	for _, g := range []struct {
		family string
		spn    int32
	}{{"catalyst", 5322}, {"egr", 3058}, {"boost", 5321}, {"pm_filter", 3064}, {"nox_catalyst_scr", 4792}} {
		least := -1
		for _, m := range v.tests {
			if m.family == g.family && m.from == source && (least < 0 || int(m.runs) < least) {
				least = int(m.runs)
			}
		}
		if least >= 0 {
			b = append(b, byte(g.spn), byte(g.spn>>8), byte(g.spn>>16)&7)
			b = le(le(b, int32(least)), int32(v.conditions))
		}
	}
	if len(b) == 4 {
		b = append(b, slices.Repeat([]byte{0xFF}, 4)...)
	}
	p.group(source, pgnDM20, b...)
}
