package obd

import (
	"encoding/binary"
	"strconv"

	"marginline/ingest/series"
)

// Parameter groups of SAE J1939-73 and -71 that are read here (numbers from memory).
const (
	pgnDM1         = 65226
	pgnDM2         = 65227
	pgnDM5         = 65230
	pgnDM6         = 65231
	pgnDM12        = 65236
	pgnDM19        = 54016
	pgnDM20        = 49664
	pgnDM21        = 49408
	pgnDM23        = 64949
	pgnDM24        = 64950
	pgnDM26        = 64952
	pgnDM28        = 64896
	pgnDM30        = 41984
	pgnVIN         = 65260
	pgnTemperature = 65262
	pgnAmbient     = 65269
	pgnDash        = 65276
	pgnAck         = 59392
	pgnTransport   = 60416 // connection management
	pgnData        = 60160 // data transfer
	pgnPhysical    = 55808 // ISO 15765-4 answers, 18DAF1xx
	pgnFunctional  = 56064 // and functional requests
)

// group reads the payload of a parameter group.
func (d *decoder) group(pgn int32) *fault {
	if pgn >= 0 && pgn>>8&0xFF < 240 {
		pgn &^= 0xFF // a destination is no part of the number
	}
	switch pgn {
	case pgnDM30:
		return d.scaledResults()
	case pgnDM1:
		return d.truckCodes(series.CodeActive)
	case pgnDM2, pgnDM23:
		return d.truckCodes(series.CodePrevious)
	case pgnDM6:
		return d.truckCodes(series.CodePending)
	case pgnDM12:
		return d.truckCodes(series.CodeConfirmed)
	case pgnDM28:
		return d.truckCodes(series.CodePermanent)
	case pgnDM5, pgnDM21, pgnDM26, pgnTemperature, pgnAmbient, pgnDash:
		if len(d.data) != 8 {
			return at(min(len(d.data), 8), ErrLength, "%d bytes, want 8", len(d.data))
		}
		d.truckStatus(pgn)
		return nil
	case pgnDM19:
		return d.truckCalibrations()
	case pgnDM20:
		return d.truckRatios()
	case pgnDM24:
		return d.truckSupport()
	case pgnVIN:
		return d.truckVIN()
	case pgnAck:
		return d.acknowledgment()
	case pgnTransport, pgnData:
		return at(0, ErrService, "PGN %d is a transport frame: name the group that was carried", pgn)
	}
	return at(0, ErrService, "PGN %d", pgn)
}

// DM30, 12 bytes a result, little-endian (SAE J1939-73, from memory): test identifier, SPN and FMI, SLOT,
// value, maximum, minimum. The maximum stands first.
const scaledRecord = 12

func (d *decoder) scaledResults() *fault {
	b := d.data
	if f := whole(len(b), 0, scaledRecord); f != nil {
		return f
	}
	type key struct {
		spn, fmi int32
		tid      byte
	}
	var seen map[key]int // only a message with several results needs it
	if len(b) > scaledRecord {
		seen = make(map[key]int, len(b)/scaledRecord)
	}
	for o := 0; o < len(b); o += scaledRecord {
		rec := b[o : o+scaledRecord]
		r := d.result()
		r.TID = int32(rec[0])
		r.SPN, r.FMI = spnFMI(rec[1:])
		r.Slot = int32(binary.LittleEndian.Uint16(rec[4:]))
		r.Raw.Value = int32(binary.LittleEndian.Uint16(rec[6:]))
		r.Raw.Max = int32(binary.LittleEndian.Uint16(rec[8:]))
		r.Raw.Min = int32(binary.LittleEndian.Uint16(rec[10:]))
		n := 1
		if seen != nil {
			k := key{r.SPN, r.FMI, rec[0]}
			seen[k]++
			n = seen[k]
		}
		r.Test = truckKey(r.SPN, r.FMI, r.TID, n)
		s, ok := slots[r.Slot]
		if !ok || !s.known {
			s = slot{scale: 1, unit: "1"}
		}
		r.UnitOfMeasure = s.unit
		r.Coding = series.ScaledSlot
		r.Measure(s.scale, s.offset, s.known && s.offset == 0)
	}
	return nil
}

// truckKey writes s3242.f16.t247, with .n2 for the second of the same in one message.
func truckKey(spn, fmi, tid int32, n int) string {
	var buf [32]byte
	b := strconv.AppendInt(append(buf[:0], 's'), int64(spn), 10)
	b = strconv.AppendInt(append(b, ".f"...), int64(fmi), 10)
	b = strconv.AppendInt(append(b, ".t"...), int64(tid), 10)
	if n > 1 {
		b = strconv.AppendInt(append(b, ".n"...), int64(n), 10)
	}
	return string(b)
}

// spnFMI unpacks 19 bits of SPN and 5 of FMI: low byte, middle byte, then the top three bits above the
// FMI (conversion method 4).
func spnFMI(b []byte) (spn, fmi int32) {
	return int32(b[0]) | int32(b[1])<<8 | int32(b[2]>>5)<<16, int32(b[2] & 0x1F)
}

// truckCodes reads DM1, DM2, DM6, DM12, DM23 and DM28: two bytes of lamps, then four a code: SPN and FMI,
// and in the last byte the conversion method and how often it occurred. A single frame ends with two bytes
// of filling.
func (d *decoder) truckCodes(kind series.CodeKind) *fault {
	b := d.data
	if n := len(b); n == 8 && (b[6] == 0xFF && b[7] == 0xFF || b[6] == 0 && b[7] == 0) {
		b = b[:6]
	}
	if f := whole(len(b), 2, 4); f != nil {
		return f
	}
	var list []series.Code
	older := 0
	for o := 2; o < len(b); o += 4 {
		spn, fmi := spnFMI(b[o:])
		if spn == 0 && fmi == 0 || spn == 0x7FFFF && fmi == 31 { // none, and filling
			continue
		}
		if b[o+3]&0x80 != 0 {
			older++
		}
		list = append(list, series.Code{ECU: d.ecu, Kind: kind, Code: faultCode(spn, fmi)})
	}
	it := d.item(KindCodes, Fields{{"codes_kind", kind.String()}, {"lamp", lamp(b[0] >> 6)},
		{"red_stop_lamp", lamp(b[0] >> 4)}, {"amber_lamp", lamp(b[0] >> 2)}, {"protect_lamp", lamp(b[0])}})
	it.Codes = list
	if older > 0 {
		it.Note = strconv.Itoa(older) + " of the codes are marked as packed by an older method, so that their SPN may be another"
	}
	return nil
}

func lamp(b byte) any {
	switch b & 3 {
	case 0:
		return false
	case 1:
		return true
	}
	return nil
}
