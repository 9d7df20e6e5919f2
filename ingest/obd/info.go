package obd

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
)

// Service $09 InfoTypes (SAE J1979, from memory):
//
//	CAN          49 02 01 VIN(17)   49 04 N id(16) x N   49 06 N cvn(4) x N   49 08/0B N counter(2) x N
//	before CAN   49 type n data(4): n is the number of the message, from 1; VIN 5, id 4 messages
//	UDS          62 F8 type, then as CAN; the count may be missing
const (
	infoVIN         = 0x02
	infoCalibration = 0x04
	infoCVN         = 0x06
	infoSpark       = 0x08
	infoName        = 0x0A
	infoCompression = 0x0B
)

func (d *decoder) vehicleInfo() *fault {
	b := d.data
	if len(b) < 3 {
		return at(len(b), ErrLength, "%d bytes, want an info type and its data", len(b))
	}
	part := d.bus.Older() && len(b) == 7
	switch {
	case b[1]&0x1F == 0 && part:
		return d.support("info types", 1, 6, 1)
	case b[1]&0x1F == 0:
		return d.support("info types", 1, supportRecord, 0)
	case part:
		return d.infoPart(b[1], b[2], b[3:])
	}
	return d.info(b[1], 2)
}

// info reads the data of an info type that came whole, from offset head on.
func (d *decoder) info(kind byte, head int) *fault {
	b := d.data[head:]
	switch kind {
	case infoVIN:
		raw, f := counted(b, head, 17, 1)
		if f != nil {
			return f
		}
		d.vin(d.item(KindVIN, nil), raw)
	case infoCalibration:
		raw, f := counted(b, head, 16, 0)
		if f != nil {
			return f
		}
		d.calibrations(d.item(KindCalibration, nil), raw)
	case infoCVN:
		raw, f := counted(b, head, 4, 0)
		if f != nil {
			return f
		}
		d.verification(d.item(KindCalibration, nil), raw)
	case infoSpark, infoCompression:
		raw, f := counted(b, head, 2, 0)
		if f != nil {
			return f
		}
		d.item(KindCounters, Fields{{"info_type", hexByte(kind)}, {"counters", d.inUse(kind, raw)}})
	case infoName:
		raw, f := counted(b, head, 20, 1)
		if f != nil {
			return f
		}
		d.item(KindCalibration, Fields{{"ecu_name", text(raw)}})
	default:
		d.item(KindContext, Fields{{"info_type", hexByte(kind)}, {"raw", hexBytes(b)}})
	}
	return nil
}

// counted takes off the count byte before records of the given size. Without a count the records alone
// are accepted, as some answers on UDS have them. n is the number of records there must be, 0 for any.
func counted(b []byte, head, size, n int) ([]byte, *fault) {
	if len(b) > 0 && len(b) == 1+size*int(b[0]) && (n == 0 || int(b[0]) == n) {
		return b[1:], nil
	}
	if len(b) > 0 && len(b)%size == 0 && (n == 0 || len(b) == n*size) {
		return b, nil
	}
	if len(b) == 21 && size == 17 && b[0] == 1 && b[1]|b[2]|b[3] == 0 { // filled to a multiple of four
		return b[4:], nil
	}
	return nil, at(head, ErrLength, "%d bytes, want a count and records of %d", len(b), size)
}

// calibrations fills the item of calibration ids, 16 characters each, and keeps them for the results.
func (d *decoder) calibrations(it *Item, raw []byte) {
	ids := []string{}
	for o := 0; o+16 <= len(raw); o += 16 {
		if id := text(raw[o : o+16]); id != "" {
			ids = append(ids, id)
		}
	}
	if !d.terse {
		it.Values = Fields{{"cal_ids", ids}}
	}
	d.keepCalibrations(ids)
}

func (d *decoder) keepCalibrations(ids []string) {
	n := &d.nodes[d.node]
	n.told = true
	n.calIDs = merge(n.calIDs, ids)
}

// verification fills the item of calibration verification numbers, eight hex digits each.
func (d *decoder) verification(it *Item, raw []byte) {
	list := []string{}
	for o := 0; o+4 <= len(raw); o += 4 {
		list = append(list, strings.ToUpper(hexBytes(raw[o:o+4])))
	}
	if !d.terse {
		it.Values = Fields{{"cvn", list}}
	}
	d.keepNumbers(list)
}

func (d *decoder) keepNumbers(list []string) {
	n := &d.nodes[d.node]
	n.cvns = merge(n.cvns, list)
}

// merge adds what a list does not have yet: an answer may be read twice, or come in parts.
func merge(have, more []string) []string {
	for _, s := range more {
		if !slices.Contains(have, s) {
			have = append(have, s)
		}
	}
	return have
}

// A part is an info type of one responder that comes in numbered messages of four bytes.
type part struct {
	node, item int
	kind       byte
	chunks     []chunk // in the order they came
}

type chunk struct {
	number byte
	data   []byte
}

func (p *part) chunk(number int) []byte {
	for _, c := range p.chunks {
		if int(c.number) == number {
			return c.data
		}
	}
	return nil
}

func (p *part) last() (n int) {
	for _, c := range p.chunks {
		n = max(n, int(c.number))
	}
	return n
}

func (d *decoder) infoPart(kind, number byte, data []byte) *fault {
	if number == 0 {
		return at(2, ErrRecord, "message number 0, want 1 or more")
	}
	for i := len(d.parts) - 1; i >= 0; i-- {
		p := d.parts[i]
		if p.node != d.node || p.kind != kind {
			continue
		}
		if have := p.chunk(int(number)); have != nil {
			if bytes.Equal(have, data) {
				return nil // read twice
			}
			break // another reading of the same type
		}
		p.chunks = append(p.chunks, chunk{number, data})
		return nil
	}
	p := &part{node: d.node, item: len(d.rep.Items), kind: kind, chunks: []chunk{{number, data}}}
	d.parts = append(d.parts, p)
	switch kind {
	case infoVIN:
		d.item(KindVIN, nil)
	case infoCalibration, infoCVN, infoName:
		d.item(KindCalibration, nil)
	case infoSpark, infoCompression:
		d.item(KindCounters, nil)
	default:
		d.item(KindContext, nil)
	}
	return nil
}

// wholeParts gives how many messages an info type takes of which n are known: five carry a VIN or a name, four each
// calibration id, and counters come in the numbers that the standard has.
func wholeParts(kind byte, n int) int {
	switch kind {
	case infoVIN, infoName:
		return 5
	case infoCalibration:
		return (n + 3) / 4 * 4
	case infoSpark:
		return wholeCounters(sparkCounts, n)
	case infoCompression:
		return wholeCounters(compressionCounts, n)
	}
	return n
}

// wholeCounters gives the messages of two counters each; more than the standard knows are taken as they are.
func wholeCounters(counts []int, n int) int {
	for _, c := range counts {
		if n <= c/2 {
			return c / 2
		}
	}
	return n
}

// finishParts reads what came in several messages, once all are there.
func (d *decoder) finishParts() {
	for _, p := range d.parts {
		it := &d.rep.Items[p.item]
		d.node = p.node
		var raw []byte
		missing := 0
		want := wholeParts(p.kind, p.last())
		for i := 1; i <= want; i++ {
			c := p.chunk(i)
			if c == nil {
				missing++
			}
			raw = append(raw, c...)
		}
		if missing > 0 {
			it.Values = Fields{{"info_type", hexByte(p.kind)}, {"complete", false}}
			if p.kind == infoVIN {
				it.Values = append(it.Values, Field{"vin", nil})
			}
			it.Note = fmt.Sprintf("%d of the messages that carry it did not come", missing)
			continue
		}
		switch p.kind {
		case infoVIN:
			d.vin(it, raw)
		case infoCalibration:
			d.calibrations(it, raw)
		case infoCVN:
			d.verification(it, raw)
		case infoSpark, infoCompression:
			it.Values = Fields{{"info_type", hexByte(p.kind)}, {"counters", d.inUse(p.kind, raw)}}
		case infoName:
			it.Values = Fields{{"ecu_name", text(raw)}}
		default:
			it.Values = Fields{{"info_type", hexByte(p.kind)}, {"raw", hexBytes(raw)}}
		}
	}
}
