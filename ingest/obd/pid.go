package obd

import (
	"encoding/binary"

	"marginline/ingest/series"
)

// Lengths of the data of service $01 parameters (SAE J1979-DA, from memory); 0 = not known here.
var pidLengths = func() (n [256]int) {
	set := func(bytes int, ids ...byte) {
		for _, id := range ids {
			n[id] = bytes
		}
	}
	set(1, 0x04, 0x05, 0x06, 0x07, 0x08, 0x09, 0x0A, 0x0B, 0x0D, 0x0E, 0x0F, 0x11, 0x12, 0x13, 0x1C, 0x1D, 0x1E,
		0x2C, 0x2D, 0x2E, 0x2F, 0x30, 0x33, 0x45, 0x46, 0x47, 0x48, 0x49, 0x4A, 0x4B, 0x4C, 0x51, 0x52, 0x5A, 0x5B, 0x5C, 0x5F, 0x61, 0x62)
	set(2, 0x02, 0x03, 0x0C, 0x10, 0x14, 0x15, 0x16, 0x17, 0x18, 0x19, 0x1A, 0x1B, 0x1F, 0x21, 0x22, 0x23, 0x31, 0x32,
		0x3C, 0x3D, 0x3E, 0x3F, 0x42, 0x43, 0x44, 0x4D, 0x4E, 0x53, 0x54, 0x59, 0x5D, 0x5E, 0x63)
	set(4, 0x01, 0x41, 0x24, 0x25, 0x26, 0x27, 0x28, 0x29, 0x2A, 0x2B, 0x34, 0x35, 0x36, 0x37, 0x38, 0x39, 0x3A, 0x3B, 0x4F, 0x50, 0xA6)
	set(4, 0x00, 0x20, 0x40, 0x60, 0x80, 0xA0, 0xC0, 0xE0)
	return n
}()

// A parameter has a name, a unit and a formula: value = raw*scale + offset, raw big-endian.
type parameter struct {
	name, unit    string
	scale, offset float64
	column        string                         // of readings; "" for none
	field         func(*series.Context) *float64 // nil for none
}

// Parameters that tell the conditions of a result (SAE J1979-DA, from memory).
var parameters = map[byte]parameter{
	0x04: {name: "calculated load", unit: "%", scale: 100.0 / 255},
	0x05: {"engine coolant temperature", "Cel", 1, -40, "coolant_c", func(c *series.Context) *float64 { return &c.CoolantC }},
	0x0C: {name: "engine speed", unit: "{rev}/min", scale: 0.25},
	0x0D: {name: "vehicle speed", unit: "km/h", scale: 1},
	0x0F: {name: "intake air temperature", unit: "Cel", scale: 1, offset: -40},
	0x1F: {"run time since engine start", "s", 1, 0, "run_time_s", func(c *series.Context) *float64 { return &c.RunTimeS }},
	0x21: {name: "distance with the lamp on", unit: "km", scale: 1},
	0x2F: {"fuel level", "%", 100.0 / 255, 0, "fuel_level_pct", func(c *series.Context) *float64 { return &c.FuelLevelPct }},
	0x30: {"warm-ups since clear", "1", 1, 0, "warmups_since_clear", func(c *series.Context) *float64 { return &c.WarmupsSinceClear }},
	0x31: {"distance since clear", "km", 1, 0, "distance_since_clear_km", func(c *series.Context) *float64 { return &c.DistanceSinceClearKm }},
	0x33: {"barometric pressure", "kPa", 1, 0, "barometric_kpa", func(c *series.Context) *float64 { return &c.BarometricKPa }},
	0x42: {name: "control module voltage", unit: "V", scale: 0.001},
	0x46: {"ambient air temperature", "Cel", 1, -40, "ambient_c", func(c *series.Context) *float64 { return &c.AmbientC }},
	0x4D: {name: "time with the lamp on", unit: "min", scale: 1},
	0x4E: {"time since clear", "min", 1, 0, "minutes_since_clear", func(c *series.Context) *float64 { return &c.MinutesSinceClear }},
	0xA6: {"odometer", "km", 0.1, 0, "odometer_km", func(c *series.Context) *float64 { return &c.OdometerKm }},
}

// parameters reads service $01: 41 { PID data } x n; several on CAN, one before.
func (d *decoder) parameters() *fault { return d.parameterRecords(d.data, 1, 1) }

// parameterRecords reads records of an id (with F4 before it when idBytes is 2) and its data. A parameter
// of unknown length takes the rest of the message as read.
func (d *decoder) parameterRecords(b []byte, head, idBytes int) *fault {
	if len(b) <= head {
		return at(len(b), ErrLength, "no parameter id after the service")
	}
	type record struct {
		pid  byte
		data []byte
	}
	all := make([]record, 0, 8) // complete before anything is kept: a bad tail spoils the message
	for o := head; o < len(b); {
		if o+idBytes > len(b) || idBytes == 2 && b[o] != 0xF4 {
			return at(o, ErrRecord, "no parameter identifier")
		}
		pid := b[o+idBytes-1]
		o += idBytes
		n := pidLengths[pid]
		if n == 0 {
			n = max(len(b)-o, 1)
		}
		if o+n > len(b) {
			return at(o, ErrLength, "parameter %02X has %d bytes, want %d", pid, len(b)-o, n)
		}
		all = append(all, record{pid, b[o : o+n]})
		o += n
	}
	for _, r := range all {
		d.parameter(r.pid, r.data)
	}
	return nil
}

func (d *decoder) parameter(pid byte, b []byte) {
	if pid&0x1F == 0 {
		d.supported("parameter ids", pid, b)
		return
	}
	if pid == 0x01 || pid == 0x41 {
		d.carReadiness(pid, b)
		return
	}
	p, ok := parameters[pid]
	if !ok {
		d.item(KindContext, Fields{{"pid", hexByte(pid)}, {"raw", hexBytes(b)}})
		return
	}
	var raw uint32
	switch len(b) {
	case 1:
		raw = uint32(b[0])
	case 2:
		raw = uint32(binary.BigEndian.Uint16(b))
	case 4:
		raw = binary.BigEndian.Uint32(b)
	}
	value := float64(raw)*p.scale + p.offset
	switch pid {
	case 0x04, 0x2F: // exact for the formula A*100/255
		value = float64(raw) * 100 / 255
	case 0x42:
		value = float64(raw) / 1000
	case 0xA6:
		value = float64(raw) / 10
	}
	if d.terse {
		if p.field != nil {
			d.context(p.field, value)
		}
		d.item(KindContext, nil)
		return
	}
	v := Fields{{"pid", hexByte(pid)}, {"name", p.name}, {"value", value}, {"unit_of_measure", p.unit}}
	if p.field != nil {
		v = append(v, Field{p.column, value})
		d.context(p.field, value)
	}
	d.item(KindContext, v)
}

// context keeps a condition; the lowest responding address wins, and of one address the first.
func (d *decoder) context(field func(*series.Context) *float64, value float64) {
	d.conditions = append(d.conditions, condition{d.nodes[d.node].key, field, value})
}
