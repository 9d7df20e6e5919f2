package fleet

// vinValues transliterates a VIN character: digits are themselves, letters as in 49 CFR 565.15(c), table
// III; 0 for letters means not allowed (I, O, Q).
var vinValues = [26]int{
	'A' - 'A': 1, 'B' - 'A': 2, 'C' - 'A': 3, 'D' - 'A': 4, 'E' - 'A': 5, 'F' - 'A': 6, 'G' - 'A': 7, 'H' - 'A': 8,
	'J' - 'A': 1, 'K' - 'A': 2, 'L' - 'A': 3, 'M' - 'A': 4, 'N' - 'A': 5, 'P' - 'A': 7, 'R' - 'A': 9,
	'S' - 'A': 2, 'T' - 'A': 3, 'U' - 'A': 4, 'V' - 'A': 5, 'W' - 'A': 6, 'X' - 'A': 7, 'Y' - 'A': 8, 'Z' - 'A': 9,
}

var vinWeights = [17]int{8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2}

// CheckVIN says whether a VIN has 17 allowed characters and the right check digit in position 9:
//
//	remainder of (sum of value x weight) / 11, with X for 10
//
// Source: 49 CFR 565.15. The check digit is binding only where that rule applies; ISO 3779 leaves the
// position free elsewhere. So a mismatch is a warning, never a reason to refuse a vehicle.
func CheckVIN(vin string) bool {
	if len(vin) != 17 {
		return false
	}
	sum := 0
	for i := range vin {
		c := vin[i]
		v := 0
		switch {
		case c >= '0' && c <= '9':
			v = int(c - '0')
		case c >= 'A' && c <= 'Z' && vinValues[c-'A'] > 0:
			v = vinValues[c-'A']
		default:
			return false
		}
		sum += v * vinWeights[i]
	}
	return vin[8] == "0123456789X"[sum%11]
}
