package obd

import (
	"bytes"
	"encoding/binary"
	"strings"

	"marginline/ingest/series"
)

// Readiness, counters, identity and conditions on SAE J1939 (layouts of J1939-73 and -71, from memory).
// One byte is a value up to FA, two bytes up to FAFF; above that it is an error or not available.

func one(b byte, scale, offset float64) float64 {
	if b > 0xFA {
		return series.Absent()
	}
	return float64(b)*scale + offset
}

func two(b []byte, scale, offset float64) float64 {
	n := binary.LittleEndian.Uint16(b)
	if n > 0xFAFF {
		return series.Absent()
	}
	return float64(n)*scale + offset
}

func (d *decoder) truckStatus(pgn int32) {
	b := d.data
	v := Fields{{"pgn", pgn}}
	add := func(column string, x float64, field func(*series.Context) *float64) {
		v = append(v, Field{column, x})
		if field != nil && x == x {
			d.context(field, x)
		}
	}
	kind := KindContext
	switch pgn {
	case pgnDM5:
		kind = KindReadiness
		v = append(v, Field{"period", "since clear"})
		add("active_codes", one(b[0], 1, 0), nil)
		add("previous_codes", one(b[1], 1, 0), nil)
		all := truckReadiness(b[3:])
		v = append(v, Field{"monitors", all.fields()})
	case pgnDM26:
		kind = KindReadiness
		all := truckReadiness(b[3:])
		d.completed(&all)
		v = append(v, Field{"period", "this driving cycle"})
		add("run_time_s", two(b, 1, 0), func(c *series.Context) *float64 { return &c.RunTimeS })
		add("warmups_since_clear", one(b[2], 1, 0), func(c *series.Context) *float64 { return &c.WarmupsSinceClear })
		v = append(v, Field{"monitors", all.fields()})
	case pgnDM21:
		add("distance_with_lamp_km", two(b, 1, 0), nil)
		add("distance_since_clear_km", two(b[2:], 1, 0), func(c *series.Context) *float64 { return &c.DistanceSinceClearKm })
		add("minutes_with_lamp", two(b[4:], 1, 0), nil)
		add("minutes_since_clear", two(b[6:], 1, 0), func(c *series.Context) *float64 { return &c.MinutesSinceClear })
	case pgnAmbient: // SPN 108, 171, 172
		add("barometric_kpa", one(b[0], 0.5, 0), func(c *series.Context) *float64 { return &c.BarometricKPa })
		add("ambient_c", two(b[3:], 0.03125, -273), func(c *series.Context) *float64 { return &c.AmbientC })
		add("intake_air_c", one(b[5], 1, -40), nil)
	case pgnTemperature: // SPN 110
		add("coolant_c", one(b[0], 1, -40), func(c *series.Context) *float64 { return &c.CoolantC })
	case pgnDash: // SPN 96
		add("fuel_level_pct", one(b[1], 0.4, 0), func(c *series.Context) *float64 { return &c.FuelLevelPct })
	}
	d.item(kind, v)
}

// truckCalibrations reads DM19: 20 bytes a calibration, the verification number (4, low byte first) and the id (16).
func (d *decoder) truckCalibrations() *fault {
	b := d.data
	if f := whole(len(b), 0, 20); f != nil {
		return f
	}
	ids, cvns := []string{}, []string{}
	for o := 0; o < len(b); o += 20 {
		cvns = append(cvns, strings.ToUpper(hexBytes([]byte{b[o+3], b[o+2], b[o+1], b[o]})))
		if id := text(b[o+4 : o+20]); id != "" {
			ids = append(ids, id)
		}
	}
	d.keepCalibrations(ids)
	d.keepNumbers(cvns)
	d.item(KindCalibration, Fields{{"cal_ids", ids}, {"cvn", cvns}})
	return nil
}

// truckRatios reads DM20: ignition cycles, monitoring conditions encountered, then seven bytes a monitor: SPN, numerator,
// denominator.
func (d *decoder) truckRatios() *fault {
	b := d.data
	if len(b) == 8 && bytes.Equal(b[4:], []byte{0xFF, 0xFF, 0xFF, 0xFF}) {
		b = b[:4]
	}
	if len(b) != 4 {
		if f := whole(len(b), 4, 7); f != nil {
			return f
		}
	}
	count := func(b []byte) any {
		if n := two(b, 1, 0); n == n {
			return int32(n)
		}
		return nil
	}
	counters := []Fields{}
	n := &d.nodes[d.node]
	n.told = true
	for o := 4; o < len(b); o += 7 {
		id := int32(b[o]) | int32(b[o+1])<<8 | int32(b[o+2]&7)<<16
		num, den := count(b[o+3:]), count(b[o+5:])
		s, known := spns[id]
		f := Fields{{"spn", id}, {"name", nil}, {"numerator", num}, {"denominator", den}}
		if known {
			f[1].Value = s.name
			if x, ok := num.(int32); ok {
				n.runs = append(n.runs, run{groupNames[s.group], x})
			}
		}
		counters = append(counters, f)
	}
	d.item(KindCounters, Fields{{"ignition_cycles", count(b)}, {"monitoring_conditions", count(b[2:])}, {"monitors", counters}})
	return nil
}

// truckSupport reads DM24: four bytes an SPN. Of the five bits below the top of the SPN 0 means supported;
// the third stands for scaled test results (bits counted from 1, from memory).
func (d *decoder) truckSupport() *fault {
	b := d.data
	if f := whole(len(b), 0, 4); f != nil {
		return f
	}
	with := []int32{}
	all := []int32{}
	for o := 0; o < len(b); o += 4 {
		id, bits := spnFMI(b[o:])
		if id == 0x7FFFF {
			continue
		}
		all = append(all, id)
		if bits&0x04 == 0 {
			with = append(with, id)
		}
	}
	d.item(KindSupport, Fields{{"of", "SPNs"}, {"supported", all}, {"with_test_results", with}})
	return nil
}

// truckVIN reads PGN 65260: text that ends with an asterisk.
func (d *decoder) truckVIN() *fault {
	b, _, _ := bytes.Cut(d.data, []byte{'*'})
	if len(b) > 200 {
		return at(200, ErrLength, "%d bytes, want at most 200", len(b))
	}
	d.vin(d.item(KindVIN, nil), b)
	return nil
}
