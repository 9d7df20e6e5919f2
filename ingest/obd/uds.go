package obd

import (
	"encoding/binary"
	"fmt"

	"marginline/ingest/series"
)

// OBD on UDS (SAE J1979-2 on ISO 14229-1, ISO 27145; from memory, sources disagree on the layout of F6xx,
// so both are read):
//
//	62 F6 MID { TID UAS value(2) min(2) max(2) } x n         identifier once
//	62 { F6 MID TID UAS value(2) min(2) max(2) } x n         identifier in each record
//	62 { F6 base bitmap(4) } x k                             support, F4 and F8 too
//	62 { F4 PID data } x n,  62 F8 InfoType data             as services 01 and 09
//	59 06 code(3) status 92 N { UAS(2) value(2) min(2) max(2) } x N
func (d *decoder) dataByIdentifier() *fault {
	b := d.data
	if len(b) < 3 {
		return at(len(b), ErrLength, "%d bytes, want an identifier of 2 after the service", len(b))
	}
	switch b[1] {
	case 0xF4:
		return d.parameterRecords(b, 1, 2)
	case 0xF6:
		return d.monitorIdentifier()
	case 0xF8:
		if b[2]&0x1F == 0 {
			return d.supportIdentifiers("info types")
		}
		return d.info(b[2], 3)
	}
	return at(1, ErrService, "identifier %02X%02X", b[1], b[2])
}

func (d *decoder) monitorIdentifier() *fault {
	b := d.data
	mid := b[2]
	if mid&0x1F == 0 {
		return d.supportIdentifiers("monitor ids")
	}
	if d.echoed(mid) {
		return d.monitorRecords(1, 10, mid)
	}
	if f := whole(len(b), 3, 8); f != nil {
		return f
	}
	return d.monitorRecords(3, 8, mid)
}

// supportIdentifiers reads records of a support identifier and its bitmap, all of the first one's range.
func (d *decoder) supportIdentifiers(of string) *fault {
	b := d.data
	if f := whole(len(b), 1, 6); f != nil {
		return f
	}
	for o := 1; o < len(b); o += 6 {
		if b[o] != b[1] || b[o+1]&0x1F != 0 {
			return at(o, ErrRecord, "%02X%02X is no support identifier", b[o], b[o+1])
		}
	}
	for o := 1; o < len(b); o += 6 {
		d.supported(of, b[o+1], b[o+2:o+6])
	}
	return nil
}

// echoed says whether each record repeats the identifier. The length cannot tell: 51 and 91 bytes fit both.
func (d *decoder) echoed(mid byte) bool {
	b := d.data
	if (len(b)-1)%10 != 0 {
		return false
	}
	for o := 1; o < len(b); o += 10 {
		if b[o] != 0xF6 || b[o+1] != mid {
			return false
		}
	}
	return true
}

// codeInformation reads the answers of service 19.
func (d *decoder) codeInformation() *fault {
	b := d.data
	if len(b) < 2 {
		return at(1, ErrLength, "no report type after the service")
	}
	switch b[1] {
	case 0x02, 0x0A, 0x15: // availability mask, then code(3) status
		return d.statusCodes(3, 4, 0, b[1] == 0x15)
	case 0x06:
		return d.codeResults()
	case 0x42: // group, two masks, format, then severity code(3) status
		return d.statusCodes(6, 5, 1, false)
	case 0x55: // group, mask, format, then code(3) status
		return d.statusCodes(5, 4, 0, true)
	}
	return at(1, ErrService, "report type %02X", b[1])
}

// Bits of the status of a code, ISO 14229-1 Annex D (from memory).
const (
	statusPending   = 0x04
	statusConfirmed = 0x08
)

func (d *decoder) statusCodes(head, record, code int, permanent bool) *fault {
	b := d.data
	if len(b) != head {
		if f := whole(len(b), head, record); f != nil {
			return f
		}
	}
	var list []series.Code
	for o := head; o < len(b); o += record {
		text, status := failureCode(b[o+code:]), b[o+code+3]
		add := func(k series.CodeKind) { list = append(list, series.Code{ECU: d.ecu, Kind: k, Code: text}) }
		if permanent {
			add(series.CodePermanent)
			continue
		}
		if status&statusConfirmed != 0 {
			add(series.CodeConfirmed)
		}
		if status&statusPending != 0 {
			add(series.CodePending)
		}
	}
	d.item(KindCodes, nil).Codes = list
	return nil
}

// codeResults reads the test results that hang on a code.
func (d *decoder) codeResults() *fault {
	const head, record = 8, 8
	b := d.data
	if len(b) == 6 { // the code is known and nothing is kept for it
		d.item(KindSupport, Fields{{"of", "results of a code"}, {"dtc", failureCode(b[2:])}, {"supported", []string{}}})
		return nil
	}
	if len(b) < head {
		return at(len(b), ErrLength, "%d bytes, want code, status, record number and count in %d", len(b), head)
	}
	if b[6] != 0x92 {
		return at(6, ErrRecord, "record number %02X, want 92", b[6])
	}
	if len(b) != head+record*int(b[7]) {
		return at(head, ErrLength, "%d bytes, want %d for %d results", len(b), head+record*int(b[7]), b[7])
	}
	if b[7] == 0 {
		d.item(KindSupport, Fields{{"of", "results of a code"}, {"dtc", failureCode(b[2:])}, {"supported", []string{}}})
	}
	code := failureCode(b[2:])
	for i, o := 1, head; o < len(b); i, o = i+1, o+record {
		r := d.result()
		r.DTC = code
		r.Test = fmt.Sprintf("d%x.n%d", b[2:5], i)
		scaleByUnit(r, int32(binary.BigEndian.Uint16(b[o:])), (*[6]byte)(b[o+2:]))
	}
	return nil
}
