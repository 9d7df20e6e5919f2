package lake

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/apache/iceberg-go"

	"marginline/ingest/series"
)

// The tables, in the order in which they are published. The last is the commit point: what it names is
// committed, and nothing else.
const (
	readings = iota
	codes
	drift
	reports
	tableCount
)

// A spec is what a table is by design: its name, its columns and the order of its rows.
type spec struct {
	name    string
	columns []column
	order   []string // names of the columns that rows are sorted by, ascending, nulls first
	group   int      // rows a row group of a flush
	recent  int      // rows a row group after compaction, while the year is not over
	sealed  int      // and when it is
}

// Rows are sorted by vehicle, so that the statistics of a row group prune all but a few vehicles; a
// report's rows stand together and in the order of the report. The row groups of a flush are small because
// a flush holds few rows of each vehicle: they cost about 5 % more bytes than twice as large ones, and one
// vehicle is read in two thirds of the time.
var specs = [tableCount]spec{
	readings: {"readings", readingColumns(), []string{"vin", "device", "read_at", "report_id", "ord"}, 32 << 10, 40 << 10, 120 << 10},
	codes:    {"codes", codeColumns(), []string{"vin", "device", "read_at", "report_id", "ord"}, 32 << 10, 40 << 10, 120 << 10},
	drift:    {"drift", driftColumns(), []string{"unit", "fold", "ecu", "test", "read_at", "report_id"}, 32 << 10, 32 << 10, 32 << 10},
	reports:  {"reports", reportColumns(), []string{"vin", "device", "read_at", "report_id"}, 4 << 10, 4 << 10, 16 << 10},
}

// Field ids are for ever: a column that goes leaves a hole, a column that comes takes the next number.

func readingColumns() []column {
	cols := pollColumns()
	cols = append(cols,
		num(7, "ord", "position of the result in its report, from 0", func(r *row) *int32 { return &r.ord }).need().ofTest(),
		text(8, "ecu", "responder: CAN id, 29-bit id whole or two-digit source address, lower-case hex", func(r *row) *string { return &r.r.ECU }).need().ofTest(),
		text(9, "cal_id", "calibration ids of that ECU in the same report, joined by +", func(r *row) *string { return &r.r.CalID }).owned(),
		text(10, "test", "canonical key of the test", func(r *row) *string { return &r.r.Test }).need().ofTest(),
		num(11, "mid", "monitor id", func(r *row) *int32 { return &r.r.MID }).ofTest(),
		num(12, "tid", "test id", func(r *row) *int32 { return &r.r.TID }).ofTest(),
		num(13, "cid", "component id", func(r *row) *int32 { return &r.r.CID }).ofTest(),
		num(14, "spn", "suspect parameter number", func(r *row) *int32 { return &r.r.SPN }).ofTest(),
		num(15, "fmi", "failure mode identifier", func(r *row) *int32 { return &r.r.FMI }).ofTest(),
		num(16, "uas", "unit and scaling id", func(r *row) *int32 { return &r.r.UAS }).ofTest(),
		num(17, "slot", "scaling, limit, offset and transfer function id", func(r *row) *int32 { return &r.r.Slot }).ofTest(),
		text(18, "dtc", "trouble code, for results that hang on one", func(r *row) *string { return &r.r.DTC }).ofTest(),
		column{id: 19, name: "coding", doc: "how the 16-bit fields are coded: 0 unsigned, 1 signed, 2 older bus, 3 older bus signed, 4 J1939 slot", num: &access[int32]{
			get: func(r *row) int32 { return int32(r.r.Coding) },
			set: func(r *row, v int32) error {
				if v < 0 || v > int32(series.ScaledSlot) {
					return fmt.Errorf("unknown coding %d", v)
				}
				r.r.Coding = series.Coding(v)
				return nil
			},
		}}.need().ofTest(),
		num(20, "raw_value", "as read, after sign; null = not sent", func(r *row) *int32 { return &r.r.Raw.Value }).owned().inRuns(),
		num(21, "raw_min", "as read, after sign; null = not sent", func(r *row) *int32 { return &r.r.Raw.Min }).ofTest(),
		num(22, "raw_max", "as read, after sign; null = not sent", func(r *row) *int32 { return &r.r.Raw.Max }).ofTest(),
		real(23, "value", "in the unit of measure", func(r *row) *float64 { return &r.r.Value }).owned(),
		real(24, "min", "lower limit in the unit of measure; null where absent", func(r *row) *float64 { return &r.r.Min }).ofTest(),
		real(25, "max", "upper limit in the unit of measure; null where absent", func(r *row) *float64 { return &r.r.Max }).ofTest(),
		text(26, "unit_of_measure", "UCUM code", func(r *row) *string { return &r.r.UnitOfMeasure }).need().ofTest(),
		column{id: 27, name: "state", doc: "ok, not_run, no_limit, constant or invalid", text: &access[string]{
			get: func(r *row) string { return min(r.r.State, series.StateInvalid).String() },
			set: func(r *row, v string) (err error) { r.r.State, err = series.ParseState(v); return err },
		}}.need().owned(),
		flag(28, "passed", "min <= value <= max; null unless state is ok", func(r *row) *series.Tri { return &r.r.Passed }).owned(),
		real(29, "margin", "1 as far as can be, 0 at the limit, below 0 failed", func(r *row) *float64 { return &r.r.Margin }).owned().unlisted(),
		flag(30, "done", "the test's group completed in this driving cycle", func(r *row) *series.Tri { return &r.r.Done }).owned(),
		num(31, "runs", "in-use numerator of the test's group", func(r *row) *int32 { return &r.r.Runs }).owned().inRuns(),
	)
	cols = append(cols, contextColumns(32)...)
	return append(cols,
		minutesSinceClear(40),
		column{id: 41, name: "cvn", doc: "calibration verification numbers of that ECU in the same report, joined by +", text: &access[string]{
			get: func(r *row) string {
				if r.p.CVNs == nil {
					return ""
				}
				return r.p.CVNs[r.r.ECU]
			},
		}},
	)
}

// Columns of later releases follow at the end, so that those of older files keep their order.
func minutesSinceClear(id int) column {
	return ofReport(real(id, "minutes_since_clear", "engine running time since codes were cleared", func(r *row) *float64 { return &r.p.Context.MinutesSinceClear }))[0]
}

// verification is how a report's verification numbers stand in one text: ecu=numbers, by ECU.
func verification(m map[string]string) string {
	var b strings.Builder
	for _, ecu := range slices.Sorted(maps.Keys(m)) {
		if b.Len() > 0 {
			b.WriteByte(' ')
		}
		b.WriteString(ecu + "=" + m[ecu])
	}
	return b.String()
}

func parseVerification(s string) (map[string]string, error) {
	m := map[string]string{}
	for _, part := range strings.Fields(s) {
		ecu, v, ok := strings.Cut(part, "=")
		if !ok {
			return nil, fmt.Errorf("verification numbers %q: want ecu=numbers", s)
		}
		m[ecu] = v
	}
	return m, nil
}

func codeColumns() []column {
	return append(pollColumns(),
		num(7, "ord", "position of the code in its report, from 0", func(r *row) *int32 { return &r.ord }).need().owned(),
		text(8, "ecu", "responder, as in readings", func(r *row) *string { return &r.c.ECU }).need().owned(),
		column{id: 9, name: "kind", doc: "pending, confirmed, permanent, active or previous", text: &access[string]{
			get: func(r *row) string { return min(r.c.Kind, series.CodePrevious).String() },
			set: func(r *row, v string) error {
				k, ok := series.ParseCodeKind(v)
				if !ok {
					return fmt.Errorf("unknown kind of code %q", v)
				}
				r.c.Kind = k
				return nil
			},
		}}.need().owned(),
		text(10, "code", "such as P0420, P0420-00 or s3242.f16", func(r *row) *string { return &r.c.Code }).need().owned(),
	)
}

func reportColumns() []column {
	cols := pollColumns()
	for i := range cols {
		cols[i].own = true
	}
	cols = append(cols,
		column{id: 7, name: "digest", doc: "hash of the report's content, as a signed number", plain: true, long: &access[int64]{
			get: func(r *row) int64 { return int64(r.p.Digest) },
			set: func(r *row, v int64) error { r.p.Digest = uint64(v); return nil },
		}}.need().owned(),
		column{id: 8, name: "received_at", doc: "when the report reached us, UTC", plain: true, when: at(func(r *row) *time.Time { return &r.p.Received })}.owned(),
		column{id: 9, name: "messages", doc: "diagnostic messages in the report", num: &access[int32]{
			get: func(r *row) int32 { return count(r.p.Messages) },
			set: func(r *row, v int32) error { r.p.Messages = int(v); return nil },
		}}.need().owned(),
		column{id: 10, name: "rejected", doc: "of these, how many went to the quarantine", num: &access[int32]{
			get: func(r *row) int32 { return count(r.p.Rejected) },
			set: func(r *row, v int32) error { r.p.Rejected = int(v); return nil },
		}}.need().owned(),
		num(11, "results", "rows of this report in readings", func(r *row) *int32 { return &r.results }).need().owned(),
		num(12, "codes", "rows of this report in codes", func(r *row) *int32 { return &r.codes }).need().owned(),
		real(13, "engine_hours", "from the report", func(r *row) *float64 { return &r.p.Context.EngineHours }).owned(),
		column{id: 14, name: "stream_seq", doc: "sequence of the report in its stream", plain: true, long: &access[int64]{
			get: func(r *row) int64 { return int64(r.seq) },
			set: func(r *row, v int64) error { r.seq = uint64(v); return nil },
		}}.need().owned(),
	)
	context := contextColumns(15)
	for i := range context {
		context[i].own = true
	}
	cols = append(cols, context...)
	return append(cols, minutesSinceClear(23).owned(),
		column{id: 24, name: "cvns", doc: "calibration verification numbers by ECU: ecu=numbers, joined by a space", text: &access[string]{
			get: func(r *row) string { return verification(r.p.CVNs) },
			set: func(r *row, v string) (err error) { r.p.CVNs, err = parseVerification(v); return err },
		}}.owned(),
	)
}

// pollColumns are the columns that every table repeats, so that each can be asked alone.
func pollColumns() []column {
	return ofReport(
		text(1, "report_id", "id the device gave to the report", func(r *row) *string { return &r.p.ReportID }).need(),
		text(2, "device", "device that sent the report", func(r *row) *string { return &r.p.Device }).need(),
		text(3, "vin", "vehicle identification number; null when neither reported nor read", func(r *row) *string { return &r.p.VIN }),
		column{id: 4, name: "bus", doc: "can, j1850, iso9141, iso14230, j1939 or uds", text: &access[string]{
			get: func(r *row) string { return r.p.Bus.String() },
			set: func(r *row, v string) (err error) {
				if r.p.Bus = series.BusUnknown; v != "" {
					r.p.Bus, err = series.ParseBus(v)
				}
				return err
			},
		}}.need(),
		column{id: 5, name: "read_at", doc: "device time, UTC; the receive time where clock_ok is false",
			when: at(func(r *row) *time.Time { return &r.p.ReadAt })}.need().inRuns(),
		column{id: 6, name: "clock_ok", doc: "false where the device's clock cannot be believed", flag: &access[series.Tri]{
			get: func(r *row) series.Tri { return series.TriOf(r.p.ClockOK) },
			set: func(r *row, v series.Tri) error { r.p.ClockOK = v == series.True; return nil },
		}}.need(),
	)
}

func contextColumns(from int) []column {
	return ofReport(
		real(from, "odometer_km", "odometer at that report", func(r *row) *float64 { return &r.p.Context.OdometerKm }),
		real(from+1, "fuel_level_pct", "fuel level", func(r *row) *float64 { return &r.p.Context.FuelLevelPct }),
		real(from+2, "ambient_c", "ambient air temperature", func(r *row) *float64 { return &r.p.Context.AmbientC }),
		real(from+3, "coolant_c", "coolant temperature", func(r *row) *float64 { return &r.p.Context.CoolantC }),
		real(from+4, "barometric_kpa", "barometric pressure", func(r *row) *float64 { return &r.p.Context.BarometricKPa }),
		real(from+5, "run_time_s", "seconds since engine start", func(r *row) *float64 { return &r.p.Context.RunTimeS }),
		real(from+6, "warmups_since_clear", "warm-up cycles since codes were cleared", func(r *row) *float64 { return &r.p.Context.WarmupsSinceClear }),
		real(from+7, "distance_since_clear_km", "distance since codes were cleared", func(r *row) *float64 { return &r.p.Context.DistanceSinceClearKm }).inRuns(),
	)
}

// schema is the Iceberg schema of a table. Schema ids count the releases that changed it.
func (s *spec) schema() *iceberg.Schema {
	fields := make([]iceberg.NestedField, len(s.columns))
	for i := range s.columns {
		c := &s.columns[i]
		fields[i] = iceberg.NestedField{ID: c.id, Name: c.name, Type: c.iceberg(), Required: c.required, Doc: c.doc}
	}
	return iceberg.NewSchema(0, fields...)
}

// id is the field id of a column; 0, which no column has, where the table has none of that name.
func (s *spec) id(name string) int {
	if i := s.column(name); i >= 0 {
		return s.columns[i].id
	}
	return 0
}

// column finds a column by name; it is there by construction.
func (s *spec) column(name string) int {
	for i := range s.columns {
		if s.columns[i].name == name {
			return i
		}
	}
	return -1
}
