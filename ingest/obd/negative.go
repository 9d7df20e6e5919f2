package obd

import "fmt"

// Reasons of a negative answer, by response code (ISO 14229-1 Annex A, from memory).
var refusals = map[byte]struct{ reason, words string }{
	0x10: {"rejected", "general reject"},
	0x11: {"no_support", "this service is not supported"},
	0x12: {"no_support", "this part of the service is not supported"},
	0x13: {"rejected", "the request has a wrong length or form"},
	0x21: {"busy", "busy: repeat the request"},
	0x22: {"conditions", "conditions are not right now, such as engine running or not running"},
	0x31: {"no_support", "the requested id is out of range"},
	0x33: {"rejected", "access denied"},
	0x78: {"pending", "received; the answer is still being made"},
	0x7F: {"conditions", "this service is not supported in the active session"},
}

// negative reads 7F service code. Before CAN the request's data stand between the two, and the code is the
// last byte. Such an answer is never a fault, not even when it is cut short.
func (d *decoder) negative() *fault {
	b := d.data
	v := Fields{{"service", nil}, {"response_code", nil}, {"reason", "unknown"}, {"meaning", "the answer is cut short"}}
	if len(b) > 1 {
		v[0].Value = hexByte(b[1])
	}
	if len(b) > 2 {
		code := b[2]
		if d.bus.Older() {
			code = b[len(b)-1]
		}
		v[1].Value = hexByte(code)
		v[2].Value, v[3].Value = "other", fmt.Sprintf("response code %02X", code)
		if r, ok := refusals[code]; ok {
			v[2].Value, v[3].Value = r.reason, r.words
		}
	}
	d.item(KindNegative, v)
	return nil
}

// acknowledgment reads PGN 59392 of SAE J1939-21 (from memory): control byte, ..., PGN in bytes 6 to 8.
func (d *decoder) acknowledgment() *fault {
	b := d.data
	if len(b) != 8 {
		return at(len(b), ErrLength, "%d bytes, want 8", len(b))
	}
	reason, words := "other", fmt.Sprintf("control byte %02X", b[0])
	switch b[0] {
	case 0:
		reason, words = "accepted", "the request is acknowledged"
	case 1:
		reason, words = "no_support", "the parameter group is not supported"
	case 2:
		reason, words = "rejected", "access denied"
	case 3:
		reason, words = "busy", "busy: repeat the request"
	}
	d.item(KindNegative, Fields{{"pgn", int(b[5]) | int(b[6])<<8 | int(b[7])<<16}, {"response_code", hexByte(b[0])}, {"reason", reason}, {"meaning", words}})
	return nil
}
