package fleetsim

import (
	"fmt"
	"strings"
)

// vin invents a vehicle identification number: a maker code (9ZZ) that is not assigned, and the right
// check digit.
func vin(f *family, n, year int) string {
	const years = "ABCDEFGHJKLMNPRSTVWXY123456789" // model year, from 2010 on
	kind := map[string]string{"KR-20": "VNKRB", "KR-35": "VNKRC", "KR-11": "VNKRA", "MD-48": "TMDXD", "HD-130": "THDXE"}[f.name]
	s := []byte(fmt.Sprintf("9ZZ%s0%cP%06d", kind, years[(year-2010+30)%30], 4101+n*7))
	s[8] = checkDigit(string(s))
	return string(s)
}

// checkDigit is position 9 of a VIN: the remainder of (sum of value x weight) / 11, X for 10
// (49 CFR 565.15).
func checkDigit(vin string) byte {
	const letters, values = "ABCDEFGHJKLMNPRSTUVWXYZ", "12345678123457923456789"
	weights := [17]int{8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2}
	sum := 0
	for i := range 17 {
		v := int(vin[i] - '0')
		if j := strings.IndexByte(letters, vin[i]); j >= 0 {
			v = int(values[j] - '0')
		}
		sum += v * weights[i]
	}
	return "0123456789X"[sum%11]
}
