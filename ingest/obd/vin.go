package obd

import "strings"

// Weights of the 17 positions and values of letters: 49 CFR 565.15, table III and IV (the published rule).
// I, O and Q are not used in a vehicle identification number.
var vinWeights = [17]int{8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2}

func vinValue(c byte) (int, bool) {
	switch {
	case c >= '0' && c <= '9':
		return int(c - '0'), true
	case c == 'I' || c == 'O' || c == 'Q' || c < 'A' || c > 'Z':
		return 0, false
	case c <= 'H':
		return int(c-'A') + 1, true
	case c <= 'R':
		return int(c-'J') + 1, true
	}
	return int(c-'S') + 2, true
}

// CheckDigit gives the digit that position 9 of a vehicle identification number should hold, and whether
// it does: the sum of value times weight, modulo 11, where 10 is X (49 CFR 565). want is 0 for text that is
// no such number: not 17 characters, or characters that are not used. The digit is mandatory in North
// America only, so that a mismatch elsewhere is no fault.
func CheckDigit(vin string) (want byte, ok bool) {
	if len(vin) != len(vinWeights) {
		return 0, false
	}
	sum := 0
	for i, w := range vinWeights {
		v, legal := vinValue(vin[i])
		if !legal && i != 8 {
			return 0, false
		}
		sum += v * w
	}
	want = "0123456789X"[sum%11]
	return want, vin[8] == want
}

// vin adds the item of a number as it was read: padding is taken off, and what cannot be a vehicle
// identification number (blank after a control unit was replaced, or damaged) is shown but not used.
func (d *decoder) vin(it *Item, raw []byte) {
	text := text(raw)
	it.Kind = KindVIN
	want, ok := CheckDigit(text)
	it.Values = Fields{{"vin", text}}
	switch {
	case text == "":
		it.Values[0].Value = nil
		it.Note = "the number is blank, as after a control unit was replaced"
		return
	case want == 0:
		it.Note = "this is no vehicle identification number: 17 letters and digits without I, O and Q"
		return
	}
	it.Values = append(it.Values, Field{"check_digit_ok", ok})
	if !ok {
		it.Note = "the check digit in position 9 should be " + string(want) + "; it is mandatory in North America only"
	}
	for _, v := range d.rep.VINs {
		if v == text {
			return
		}
	}
	d.rep.VINs = append(d.rep.VINs, text)
}

// text takes padding (00, FF and blanks) off both ends; bytes that do not print become question marks.
func text(b []byte) string {
	s := strings.Map(func(r rune) rune {
		if r < ' ' || r > '~' {
			return '?'
		}
		return r
	}, string(trim(b)))
	return strings.TrimSpace(s)
}

func trim(b []byte) []byte {
	pad := func(c byte) bool { return c == 0 || c == 0xFF || c == ' ' }
	for len(b) > 0 && pad(b[0]) {
		b = b[1:]
	}
	for len(b) > 0 && pad(b[len(b)-1]) {
		b = b[:len(b)-1]
	}
	return b
}
