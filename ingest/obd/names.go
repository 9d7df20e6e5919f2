package obd

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"marginline/ingest/series"
)

const unknown = "unknown"

// Family gives the family of the monitor that a result belongs to, as in the monitor table; for a result
// that hangs on a code or an SPN the family of that; "unknown" otherwise, as for the maker-defined tests of
// older buses.
func Family(r *series.Result) string {
	switch {
	case r.MID >= 0 && r.MID <= 0xFF:
		m := &monitors[r.MID]
		// B0 and B1 are a particulate filter in some lists and a cylinder in others: counts are misfires.
		if m.family == "pm_filter_or_misfire" && r.UAS == 0x24 {
			return "misfire"
		}
		return m.family
	case r.DTC != "":
		return CodeFamily(r.DTC)
	case r.SPN != series.None:
		if s, ok := spns[r.SPN]; ok {
			return s.family
		}
	case strings.HasPrefix(r.Test, "o"): // service $05
		return "o2_sensor"
	}
	return unknown
}

// A codeRange is a range of powertrain codes: the four digits as a hex number.
type codeRange struct {
	from, to int
	family   string
}

// readFamilies reads the code ranges of the monitor table, then those of the code table, which are wider.
// Within each, a narrow range comes before a wide one: P0135 is a heater's and lies in a sensor's range.
func readFamilies() ([]codeRange, error) {
	var all, wide []codeRange
	read := func(into *[]codeRange, codes, family string) error {
		return codeRanges(codes, func(from, to int) { *into = append(*into, codeRange{from, to, family}) })
	}
	err := each("monitors", "id,name,family,codes,worsening,confidence,source", func(row []string) error {
		return read(&all, row[3], row[2])
	})
	if err == nil {
		err = each("codes", "family,codes,source", func(row []string) error { return read(&wide, row[1], row[0]) })
	}
	// Of equal ranges the later row wins: the heater rows name the same codes as the sensor rows.
	slices.Reverse(all)
	narrow := func(a, b codeRange) int { return (a.to - a.from) - (b.to - b.from) }
	slices.SortStableFunc(all, narrow)
	slices.SortStableFunc(wide, narrow)
	return append(all, wide...), err
}

// codeRanges calls f for every code and range of codes in a list such as P0420-P0424,P2A00.
func codeRanges(codes string, f func(from, to int)) error {
	for _, s := range strings.Split(codes, ",") {
		if s = strings.TrimSpace(s); s == "" {
			continue
		}
		a, b, isRange := strings.Cut(s, "-")
		if !isRange {
			b = a
		}
		from, ok := powertrain(a)
		to, ok2 := powertrain(b)
		if !ok || !ok2 || to < from {
			return fmt.Errorf("codes %q", s)
		}
		f(from, to)
	}
	return nil
}

// powertrain reads P and four digits, with or without a failure type.
func powertrain(code string) (int, bool) {
	if len(code) < 5 || code[0] != 'P' && code[0] != 'p' || len(code) > 5 && code[5] != '-' {
		return 0, false
	}
	n, err := strconv.ParseUint(code[1:5], 16, 16)
	return int(n), err == nil
}

// CodeFamily gives the family whose typical codes hold a code, such as P0420, P0420-00 or s3242.f16;
// "unknown" when none does.
func CodeFamily(code string) string {
	if n, ok := powertrain(code); ok {
		for _, r := range families {
			if n >= r.from && n <= r.to {
				return r.family
			}
		}
		return unknown
	}
	if rest, ok := strings.CutPrefix(code, "s"); ok {
		id, _, _ := strings.Cut(rest, ".")
		if n, err := strconv.ParseInt(id, 10, 32); err == nil {
			if s, ok := spns[int32(n)]; ok {
				return s.family
			}
		}
	}
	return unknown
}

// groupOf gives the readiness group of a family.
func groupOf(family string) int {
	switch family {
	case "misfire":
		return groupMisfire
	case "fuel_system":
		return groupFuel
	case "catalyst":
		return groupCatalyst
	case "heated_catalyst":
		return groupHeatedCatalyst
	case "evap":
		return groupEvap
	case "secondary_air":
		return groupSecondaryAir
	case "o2_sensor":
		return groupOxygen
	case "o2_heater":
		return groupHeater
	case "egr", "vvt":
		return groupEGR
	case "nox_adsorber", "nox_catalyst_scr":
		return groupNOx
	case "boost":
		return groupBoost
	case "pm_filter":
		return groupFilter
	}
	return groupNone
}

// Group gives the readiness group of the monitor of a result: results with the same number share one
// completion bit on their control unit (EGR and variable valve timing do). -1 for none.
func Group(r *series.Result) int {
	switch {
	case r.MID >= 0 && r.MID <= 0xFF && r.UAS != 0x24:
		return monitors[r.MID].group
	case r.SPN != series.None:
		if s, ok := spns[r.SPN]; ok {
			return s.group
		}
		return groupNone
	}
	return groupOf(Family(r))
}

// Name gives a result a plain name: "Catalyst Monitor Bank 1, test $89".
func Name(r *series.Result) string {
	switch {
	case r.MID >= 0 && r.MID <= 0xFF:
		return monitorName(byte(r.MID)) + ", " + testName(byte(r.TID), Family(r))
	case r.SPN != series.None:
		name := fmt.Sprintf("SPN %d", r.SPN)
		if s, ok := spns[r.SPN]; ok {
			name = s.name + " (" + name + ")"
		}
		return fmt.Sprintf("%s, FMI %d, test %d", name, r.FMI, r.TID)
	}
	return TestName(r.Test)
}

// TestName gives the plain name of a canonical test key, such as m21.t89; the key itself when it is none.
func TestName(key string) string {
	var a, b, n int
	scan := func(format string, v ...any) bool {
		got, err := fmt.Sscanf(key, format, v...)
		return err == nil && got == len(v)
	}
	r := series.NewResult()
	switch {
	case key == "":
		return key
	case key[0] == 'm' && scan("m%02x.t%02x", &a, &b):
		r.MID, r.TID = int32(a&0xFF), int32(b&0xFF)
		if r.MID >= 0xAE && r.MID <= 0xB1 && (b == 0x0B || b == 0x0C) {
			r.UAS = 0x24
		}
		return Name(&r)
	case key[0] == 't' && scan("t%02x.c%02x", &a, &b):
		return fmt.Sprintf("test $%02X, component $%02X", a, b)
	case key[0] == 'o' && scan("o%02x.s%02x", &a, &b):
		return fmt.Sprintf("Oxygen sensor $%02X, %s", b, testName(byte(a), "o2_sensor"))
	case key[0] == 's' && scan("s%d.f%d.t%d", &a, &b, &n):
		r.SPN, r.FMI, r.TID = int32(a), int32(b), int32(n)
		return Name(&r)
	case key[0] == 'd' && len(key) > 8 && key[7] == '.' && scan("d%06x.n%d", &a, &n):
		return fmt.Sprintf("test %d of code %s", n, failureCode([]byte{byte(a >> 16), byte(a >> 8), byte(a)}))
	}
	return key
}

func monitorName(mid byte) string {
	switch m := &monitors[mid]; m.family {
	case "reserved", unknown:
		return fmt.Sprintf("monitor $%02X", mid)
	case "manufacturer":
		return fmt.Sprintf("monitor $%02X (defined by the maker)", mid)
	default:
		return m.name
	}
}

// testName gives the standard name of a test in its own family, else its number.
func testName(tid byte, family string) string {
	t := &tests[tid]
	if t.family != family || t.family == "reserved" || t.family == "manufacturer" {
		return fmt.Sprintf("test $%02X", tid)
	}
	name := strings.TrimSuffix(strings.TrimSuffix(t.name, " (calculated)"), " (constant)")
	if len(name) > 1 && name[1] >= 'a' { // not an abbreviation
		name = strings.ToLower(name[:1]) + name[1:]
	}
	return name
}
