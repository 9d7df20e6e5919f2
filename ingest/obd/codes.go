package obd

import (
	"fmt"

	"marginline/ingest/series"
)

// codes reads services $03, $07 and $0A (SAE J1979, from memory):
//
//	CAN          43 N {high low} x N
//	before CAN   43 {high low} x n, no count, padded with 0000
func (d *decoder) codes(kind series.CodeKind) *fault {
	b := d.data
	head := 2
	if d.bus.Older() {
		head = 1
		if (len(b)-1)%2 != 0 {
			return at(len(b)-1, ErrLength, "%d bytes after the service are not whole codes of 2", len(b)-1)
		}
	} else if len(b) < 2 || len(b) != 2+2*int(b[1]) {
		n := 0
		if len(b) > 1 {
			n = int(b[1])
		}
		return at(min(len(b), 2), ErrLength, "%d bytes, want %d for %d codes", len(b), 2+2*n, n)
	}
	var list []series.Code
	for o := head; o < len(b); o += 2 {
		if b[o] != 0 || b[o+1] != 0 {
			list = append(list, series.Code{ECU: d.ecu, Kind: kind, Code: CodeText(b[o], b[o+1])})
		}
	}
	d.item(KindCodes, Fields{{"codes_kind", kind.String()}}).Codes = list
	return nil
}

// CodeText writes the two bytes of a trouble code as letter and four digits (SAE J2012 / ISO 15031-6, from
// memory): bits 15 and 14 are P, C, B or U, bits 13 and 12 the first digit.
func CodeText(high, low byte) string {
	return fmt.Sprintf("%c%d%X%02X", "PCBU"[high>>6], high>>4&3, high&15, low)
}

// failureCode writes a three-byte code with its failure type, as P0420-00.
func failureCode(b []byte) string {
	return fmt.Sprintf("%s-%02X", CodeText(b[0], b[1]), b[2])
}

// faultCode writes an SPN and FMI as a code.
func faultCode(spn, fmi int32) string { return fmt.Sprintf("s%d.f%d", spn, fmi) }
