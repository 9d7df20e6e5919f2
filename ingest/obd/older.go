package obd

import (
	"encoding/binary"
	"fmt"

	"marginline/ingest/series"
)

// Service $06 before CAN (SAE J1979 on J1850, ISO 9141-2, ISO 14230-4, from memory):
//
//	46 TID LTC value(2) limit(2)     LTC bit 7 = 0: maximum, 1: minimum; bits 0 to 6: component
//	46 TID FF bitmap(4)              TID 00, 20 ... E0: support
//
// Service $05, oxygen sensors: 45 TID sensor value [minimum maximum], one byte each.
const (
	olderLength   = 7
	limitIsMin    = 0x80
	componentMask = 0x7F
)

// A pending result waits for the message with its other limit.
type pending struct{ result, node int }

func (d *decoder) olderResult() *fault {
	b := d.data
	if len(b) != olderLength {
		return at(min(len(b), olderLength), ErrLength, "%d bytes, want %d: test, component, value, limit", len(b), olderLength)
	}
	if b[1]&0x1F == 0 {
		return d.support("test ids", 1, 6, 1)
	}
	d.older = append(d.older, pending{len(d.rep.results), d.node})
	r := d.result()
	r.TID, r.CID = int32(b[1]), int32(b[2]&componentMask)
	r.Test = fmt.Sprintf("t%02x.c%02x", r.TID, r.CID)
	r.UnitOfMeasure = "1"
	r.Coding = series.OlderBus
	r.Raw.Value = int32(binary.BigEndian.Uint16(b[3:]))
	limit := int32(binary.BigEndian.Uint16(b[5:]))
	if b[2]&limitIsMin != 0 {
		r.Raw.Min = limit
	} else {
		r.Raw.Max = limit
	}
	return nil
}

// finishOlder joins pairs of limits: same sender, test and component, opposite limits, equal values. The
// row stands where the first of the two was sent.
func (d *decoder) finishOlder() {
	if len(d.older) == 0 {
		return
	}
	type key struct {
		node          int
		tid, cid, val int32
		min           bool
	}
	waiting := map[key][]int{} // first in, first out
	gone := map[int]bool{}     // results that became part of another
	for _, p := range d.older {
		i := p.result
		r := &d.rep.results[i]
		k := key{p.node, r.TID, r.CID, r.Raw.Value, r.Raw.Min == series.None}
		if w := waiting[k]; len(w) > 0 {
			first := &d.rep.results[w[0]]
			waiting[k] = w[1:]
			if first.Raw.Min == series.None {
				first.Raw.Min = r.Raw.Min
			} else {
				first.Raw.Max = r.Raw.Max
			}
			gone[i] = true
			continue
		}
		k.min = !k.min
		waiting[k] = append(waiting[k], i)
	}
	for _, p := range d.older {
		d.rep.results[p.result].Measure(1, 0, true)
	}
	d.drop(gone)
}

// drop takes results and their items out of the report; each is the only one of its message.
func (d *decoder) drop(gone map[int]bool) {
	if len(gone) == 0 {
		return
	}
	shift := make([]int, len(d.rep.Items)) // how far each item moves
	lost := map[int]bool{}
	for _, k := range d.blocks {
		if gone[k.first] {
			lost[k.item] = true
		}
	}
	items, n := d.rep.Items[:0], 0
	for i := range d.rep.Items {
		shift[i] = n
		if lost[i] {
			n++
			continue
		}
		items = append(items, d.rep.Items[i])
	}
	results, blocks := d.rep.results[:0], d.blocks[:0]
	for _, k := range d.blocks {
		if gone[k.first] {
			continue
		}
		from := k.first
		k.first, k.item = len(results), k.item-shift[k.item]
		results = append(results, d.rep.results[from:from+k.n]...)
		blocks = append(blocks, k)
	}
	clear(d.rep.Items[len(items):])
	d.rep.Items, d.rep.results, d.blocks, d.moved = items, results, blocks, true
	d.memory.forget()
}

// oxygenScale gives the standard scalings of service $05 test ids 01 to 0A (SAE J1979, from memory; 0.005 V
// also in printed service information). All others are the maker's: raw counts. The message itself carries
// no unit, so a row keeps raw counts, as all rows of these buses do; the scaling is for words.
func oxygenScale(tid byte) (scale float64, unit string) {
	switch tid {
	case 0x01, 0x02, 0x03, 0x04, 0x07, 0x08:
		return 0.005, "V"
	case 0x05, 0x06:
		return 0.004, "s"
	case 0x09, 0x0A:
		return 0.04, "s"
	}
	return 1, "1"
}

func (d *decoder) oxygenSensor() *fault {
	b := d.data
	if len(b) > 1 && b[1]&0x1F == 0 && len(b) == olderLength {
		return d.support("oxygen sensor test ids", 1, 6, 1)
	}
	if len(b) != 4 && len(b) != 6 {
		return at(min(len(b), 6), ErrLength, "%d bytes, want 4 (test, sensor, value) or 6 (and two limits)", len(b))
	}
	r := d.result()
	r.TID = int32(b[1])
	r.Test = fmt.Sprintf("o%02x.s%02x", b[1], b[2])
	r.Raw.Value = int32(b[3])
	if len(b) == 6 {
		r.Raw.Min, r.Raw.Max = int32(b[4]), int32(b[5])
	}
	r.UnitOfMeasure, r.Coding = "1", series.Unsigned
	raw := r.Raw
	if raw.Max == 0xFF { // all ones of one byte: no maximum
		r.Raw.Max = 0xFFFF
	}
	r.Measure(1, 0, true)
	r.Raw = raw
	return nil
}
