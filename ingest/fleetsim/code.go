package fleetsim

import "time"

// A code is one trouble code and where it stands. The logic is that of two trips: failing once makes it
// pending, failing in the next trip in which the test runs confirms it and lights the lamp; three passing
// trips put the lamp out, 40 warm-ups later the code is erased (13 CCR 1968.2(d)(2) and 1971.1(d)(2), from
// memory).
type code struct {
	text     string
	number   uint16 // SAE J2012
	spn      int32  // SAE J1939-73
	fmi      byte
	from     string
	pending  bool
	stored   bool // confirmed
	lamp     bool
	forever  bool // permanent
	cycle    int  // trip of the last failing result
	passes   int
	warmups  int
	occurred uint8
}

func (c *code) fail(at time.Time, cycle int, faults []*wear) {
	for _, w := range faults {
		w.failed(at)
	}
	if c.pending && cycle != c.cycle {
		if !c.lamp && c.occurred < 126 {
			c.occurred++
		}
		c.stored, c.lamp, c.forever = true, true, true
		for _, w := range faults {
			w.confirmed(at, c.text)
		}
	}
	c.pending, c.cycle, c.passes, c.warmups = true, cycle, 0, 0
}

func (c *code) pass(cycle int) {
	if cycle == c.cycle {
		return
	}
	c.pending = false
	if !c.lamp {
		c.forever = false // after a clear: the test has run and passed
		return
	}
	if c.passes++; c.passes >= 3 {
		c.lamp, c.forever, c.warmups = false, false, 0
	}
}

func (c *code) warmUp() {
	if !c.stored || c.lamp {
		return
	}
	if c.warmups++; c.warmups >= 40 {
		c.stored = false
	}
}

func (c *code) clear() { c.pending, c.stored, c.lamp, c.passes, c.warmups = false, false, false, 0, 0 }

// number of a code such as P0420 (SAE J2012).
func number(text string) uint16 {
	var n uint16
	for _, c := range text[1:] {
		n <<= 4
		switch {
		case c >= '0' && c <= '9':
			n |= uint16(c - '0')
		case c >= 'A' && c <= 'F':
			n |= uint16(c-'A') + 10
		}
	}
	return n
}
