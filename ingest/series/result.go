package series

import (
	"math"
	"time"
)

// None is the absent integer.
const None int32 = math.MinInt32

// Absent is the absent floating-point number.
func Absent() float64 { return math.NaN() }

// Tri is a truth value that may be unknown.
type Tri int8

// The three truth values.
const (
	Unknown Tri = -1
	False   Tri = 0
	True    Tri = 1
)

// TriOf turns a truth value into a known Tri.
func TriOf(b bool) Tri {
	if b {
		return True
	}
	return False
}

// A Result is one on-board test result as read, with what its limits say of it.
//
// The fields stand by size and by who sets them: 160 bytes without a gap, since a decoder writes one in a
// few nanoseconds and all of that is memory.
type Result struct {
	ECU           string // responder, lower-case hex: CAN id, 29-bit id whole, or two-digit source address
	Test          string // canonical key, such as m21.t89, t03.c04, o05.s01, s3242.f16.t247, d042000.n1
	UnitOfMeasure string // UCUM code; "1" where the protocol gives no unit
	CalID         string // calibration ids of that ECU in the same report joined by "+"; "" when not read
	DTC           string // for results that hang on a code, "" otherwise

	MID, TID, UAS, CID, SPN, FMI, Slot int32 // None where the protocol has none
	Runs                               int32 // in-use numerator of the group of this test; None when not read

	Raw    Raw    // as read, after sign; None = not sent
	Coding Coding // how the 16-bit fields are coded; decides signedness and absent limits
	State  State
	Passed Tri // Unknown unless State is StateOK
	Done   Tri // the group of this test completed in this driving cycle (PID 41 or DM26)

	Value, Min, Max float64
	Margin          float64 // NaN unless State is StateOK and the margin is defined
}

// Raw holds the 16-bit fields of a test result after sign extension; None = not sent.
type Raw struct{ Value, Min, Max int32 }

// NewResult returns a Result in which every optional field is absent.
func NewResult() Result {
	return Result{
		MID: None, TID: None, CID: None, SPN: None, FMI: None, UAS: None, Slot: None, Runs: None,
		Raw:   Raw{None, None, None},
		Value: math.NaN(), Min: math.NaN(), Max: math.NaN(), Margin: math.NaN(),
		Passed: Unknown, Done: Unknown,
	}
}

// Context is the conditions under which a report was read. Absent values are NaN.
type Context struct {
	OdometerKm           float64 // report field before PID A6
	EngineHours          float64 // report field
	FuelLevelPct         float64 // PID 2F or SPN 96
	AmbientC             float64 // PID 46 or SPN 171
	CoolantC             float64 // PID 05 or SPN 110
	BarometricKPa        float64 // PID 33 or SPN 108
	RunTimeS             float64 // PID 1F: seconds since engine start
	WarmupsSinceClear    float64 // PID 30
	DistanceSinceClearKm float64 // PID 31 or DM21
	MinutesSinceClear    float64 // PID 4E or DM21: engine running time
}

// NoContext returns a Context in which everything is absent.
func NoContext() Context {
	n := math.NaN()
	return Context{n, n, n, n, n, n, n, n, n, n}
}

// CodeKind says on which step of the fault ladder a trouble code stands.
type CodeKind uint8

// The kinds of stored codes.
const (
	CodePending   CodeKind = iota // failed once
	CodeConfirmed                 // failed in two trips; the lamp is on
	CodePermanent                 // cannot be cleared by a tool
	CodeActive                    // J1939 DM1
	CodePrevious                  // J1939 DM2 and DM23
)

var codeKindNames = [...]string{"pending", "confirmed", "permanent", "active", "previous"}

// String is the name used in tables.
func (k CodeKind) String() string {
	if int(k) < len(codeKindNames) {
		return codeKindNames[k]
	}
	return ""
}

// ParseCodeKind reads the name that String writes.
func ParseCodeKind(s string) (CodeKind, bool) {
	for i, n := range codeKindNames {
		if n == s {
			return CodeKind(i), true
		}
	}
	return 0, false
}

// A Code is one trouble code seen in a report.
type Code struct {
	ECU  string
	Kind CodeKind
	Code string // P0420, P0420-00 (with failure type) or s3242.f16
}

// A Poll is what one report tells of one vehicle at one moment.
type Poll struct {
	ReportID string
	Digest   uint64 // of the report's content; the same id with another digest is another report
	Device   string
	VIN      string // from the report, or read from the vehicle; "" when neither
	Bus      Bus
	ReadAt   time.Time // UTC, whole microseconds: device time; the receive time where ClockOK is false
	ClockOK  bool
	Received time.Time // when the report reached us
	Messages int       // diagnostic messages in the report
	Rejected int       // of these, how many went to the quarantine
	Context  Context
	Results  []Result
	Codes    []Code

	// CVNs holds the calibration verification numbers of each ECU that told them in this report, eight hex digits
	// each and each once, joined by "+" as its calibration ids are; nil when none was read. Other software under the same
	// calibration id has another number. By ECU and not in each result, since a report has few of the one and
	// many of the other.
	CVNs map[string]string
}

// Before orders the polls of a vehicle: by time, then by report id, so that any arrival order sorts to
// the same sequence.
func (p *Poll) Before(q *Poll) bool {
	if !p.ReadAt.Equal(q.ReadAt) {
		return p.ReadAt.Before(q.ReadAt)
	}
	return p.ReportID < q.ReportID
}

// A Key names one series of one unit.
type Key struct {
	Unit string
	ECU  string
	Test string
}

// String is unit/ecu/test, as series are named on the command line.
func (k Key) String() string { return k.Unit + "/" + k.ECU + "/" + k.Test }
