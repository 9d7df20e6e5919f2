package obd

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"iter"
	"slices"
	"strings"

	"marginline/ingest/series"
)

// Service $06 on CAN (SAE J1979 / ISO 15031-5 over ISO 15765-4, from memory), big-endian:
//
//	46 { MID TID UAS value(2) minimum(2) maximum(2) } x n    MID repeated in each 9-byte record
//	46 { MID bitmap(4) } x n                                 MID 00, 20 ... E0: support, 5 bytes
//
// The two are told apart by MID and 1F, never by length: 46 bytes fit both.
const (
	monitorRecord = 9
	supportRecord = 5
)

// testKeys holds m00.t00 to mff.tff, seven bytes each, so that a key needs no allocation.
var testKeys = func() string {
	const hex = "0123456789abcdef"
	var b strings.Builder
	b.Grow(7 << 16)
	for i := range 1 << 16 {
		b.Write([]byte{'m', hex[i>>12], hex[i>>8&15], '.', 't', hex[i>>4&15], hex[i&15]})
	}
	return b.String()
}()

func testKey(mid, tid byte) string {
	i := 7 * (int(mid)<<8 | int(tid))
	return testKeys[i : i+7]
}

func (d *decoder) monitorResults() *fault {
	b := d.data
	if len(b) > 1 && b[1]&0x1F == 0 {
		return d.support("monitor ids", 1, supportRecord, 0)
	}
	if f := whole(len(b), 1, monitorRecord); f != nil {
		return f
	}
	return d.monitorRecords(1, monitorRecord, 0)
}

// monitorRecords reads records of the given size up to the end of the message. Each ends with test id, unit-
// and-scaling id, value, minimum and maximum; the byte before is the monitor id where there is one.
func (d *decoder) monitorRecords(head, size int, mid byte) *fault {
	b, ecu, from := d.data, d.ecu, d.from
	rows, known := d.results((len(b) - head) / size)
	for i := range rows {
		o := head + size*(i+1) - 8
		if size > 8 {
			if mid = b[o-1]; mid&0x1F == 0 {
				return at(o-1, ErrRecord, "support monitor id %02X among results", mid)
			}
		}
		rec, r := (*[8]byte)(b[o:]), &rows[i]
		if known != nil {
			key := binary.BigEndian.Uint64(rec[:])&^(0xFFFF<<32) | uint64(mid)<<32
			k := &known[i]
			if k.key == key && k.from == from {
				if k.told {
					k.told, r.CalID, r.Runs, r.Done = false, "", series.None, series.Unknown
				}
				u := &units[rec[1]]
				if x := u.word(rec[2], rec[3]); x != r.Raw.Value {
					r.Raw.Value = x
					r.Remeasure(u.scale, u.offset, u.ratio)
				}
				continue
			}
			*k = remembered{key: key, from: from}
		}
		r.ECU, r.Test, r.CalID, r.DTC = ecu, testKey(mid, rec[0]), "", ""
		r.MID, r.TID, r.CID, r.SPN, r.FMI, r.Slot = int32(mid), int32(rec[0]), series.None, series.None, series.None, series.None
		r.Runs, r.Done = series.None, series.Unknown
		scaleByUnit(r, int32(rec[1]), (*[6]byte)(rec[2:]))
	}
	return nil
}

// scaleByUnit fills a result from six bytes and a unit-and-scaling id. Ids above FF (two-byte ids of SAE
// J1979-2) are not known here: they take the sign of bit 7, scale 1, offset 0.
func scaleByUnit(r *series.Result, uas int32, b *[6]byte) {
	u := unitOf(uas)
	r.UAS, r.UnitOfMeasure, r.Coding = uas, u.ucum, u.coding
	r.Raw = series.Raw{Value: u.word(b[0], b[1]), Min: u.word(b[2], b[3]), Max: u.word(b[4], b[5])}
	r.Measure(u.scale, u.offset, u.ratio)
}

func unitOf(uas int32) *unit {
	if uas < 0 || uas > 0xFF {
		return &units[uas&0x80] // 00 and 80 are not assigned
	}
	return &units[uas]
}

// word reads two bytes, two's complement where the unit is signed.
func (u *unit) word(high, low byte) int32 {
	n := int32(high)<<8 | int32(low)
	return n - n&u.wrap<<1
}

// support reads records of an id, an optional fill byte, and a bitmap: the top bit of the first byte is
// id+1, the lowest of the fourth is id+20, which says that the next bitmap exists.
func (d *decoder) support(of string, head, record, fill int) *fault {
	b := d.data
	if f := whole(len(b), head, record); f != nil {
		return f
	}
	for o := head; o < len(b); o += record {
		if b[o]&0x1F != 0 {
			return at(o, ErrRecord, "id %02X is no support id", b[o])
		}
	}
	for o := head; o < len(b); o += record {
		d.supported(of, b[o], b[o+1+fill:])
	}
	return nil
}

func (d *decoder) supported(of string, base byte, bits []byte) {
	d.item(KindSupport, Fields{{"of", of}, {"base", hexByte(base)}, {"supported", IDs{base, binary.BigEndian.Uint32(bits)}}})
}

// IDs are the ids that four bytes mark as supported, above a base. They are kept as they came, since a short
// message can name very many.
type IDs struct {
	base byte
	bits uint32
}

// Each gives the ids in hex, two digits, from low to high.
func (s IDs) Each() iter.Seq[string] {
	return func(yield func(string) bool) {
		for i := range 32 {
			if s.bits&(1<<(31-i)) != 0 && int(s.base)+i+1 <= 0xFF && !yield(hexByte(s.base+byte(i)+1)) {
				return
			}
		}
	}
}

// String lists them as Go prints a list of strings.
func (s IDs) String() string { return fmt.Sprint(slices.Collect(s.Each())) }

// MarshalJSON writes an array of strings.
func (s IDs) MarshalJSON() ([]byte, error) {
	return json.Marshal(append([]string{}, slices.Collect(s.Each())...))
}

func hexByte(b byte) string { return ids8[2*int(b) : 2*int(b)+2] }

func hexBytes(b []byte) string { return fmt.Sprintf("%x", b) }
