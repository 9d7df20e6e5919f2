package obd

import (
	"encoding/json"
	"slices"
	"strings"

	"marginline/ingest/series"
)

// A Message is one complete diagnostic message after transport reassembly.
type Message struct {
	From string // CAN id, ECU or source address, hex
	PGN  int32  // J1939 parameter group number; series.None when not given
	Data []byte // service byte first; J1939: the payload of the PGN
}

// Kind says what an Item is.
type Kind string

// The kinds of items.
const (
	KindResult      Kind = "result"
	KindSupport     Kind = "support"
	KindCodes       Kind = "codes"
	KindReadiness   Kind = "readiness"
	KindCounters    Kind = "counters"
	KindContext     Kind = "context"
	KindVIN         Kind = "vin"
	KindCalibration Kind = "calibration"
	KindNegative    Kind = "negative"
	KindError       Kind = "error"
)

// An Item is one thing that a message tells: a test result, a list of codes, a counter set, or why the
// message could not be read.
type Item struct {
	Message int // index of the message in the call; of the first one when several join
	Kind    Kind
	ECU     string         // responder as CanonicalECU names it
	Result  *series.Result // KindResult; belongs to the report
	Codes   []series.Code  // KindCodes
	Values  Fields         // what the other kinds carry, by name
	Name    string         // name a test catalogue gives a test; "" otherwise
	Note    string         // a remark for people, such as a check digit that does not fit
	Err     error          // KindError, a *FrameError
}

// Fields are named values in a fixed order. Values are string, bool, int32, int, float64, nil, Fields, IDs,
// or slices of these.
type Fields []Field

// A Field is one named value.
type Field struct {
	Name  string
	Value any
}

// Get gives the value of a name, nil when it is not there.
func (f Fields) Get(name string) any {
	for _, x := range f {
		if x.Name == name {
			return x.Value
		}
	}
	return nil
}

// MarshalJSON writes an object with the fields in their order; NaN and infinity are null.
func (f Fields) MarshalJSON() ([]byte, error) {
	b := []byte{'{'}
	for i, x := range f {
		if i > 0 {
			b = append(b, ',')
		}
		name, _ := json.Marshal(x.Name)
		b = append(append(b, name...), ':')
		v := x.Value
		if n, is := v.(float64); is && n-n != 0 {
			v = nil
		}
		value, err := json.Marshal(v)
		if err != nil {
			return nil, err
		}
		b = append(b, value...)
	}
	return append(b, '}'), nil
}

// A Report is all that the messages of one report tell. It is not safe for concurrent writing.
type Report struct {
	Bus     series.Bus
	Items   []Item            // in the order sent
	VINs    []string          // distinct vehicle identification numbers read, in the order read
	CalIDs  map[string]string // calibration ids of a responder, by ECU, joined by "+"
	CVNs    map[string]string // calibration verification numbers, the same
	Context series.Context    // of the lowest responding address; odometer from PID A6 only

	results []series.Result
}

// Results gives the test results in the order sent. The slice belongs to the report.
func (rep *Report) Results() []series.Result { return slices.Clip(rep.results) }

// Codes gives all trouble codes in the order sent.
func (rep *Report) Codes() []series.Code {
	var all []series.Code
	for i := range rep.Items {
		all = append(all, rep.Items[i].Codes...)
	}
	return all
}

// Errors gives the items of messages that could not be read.
func (rep *Report) Errors() []*Item {
	var bad []*Item
	for i := range rep.Items {
		if rep.Items[i].Kind == KindError {
			bad = append(bad, &rep.Items[i])
		}
	}
	return bad
}

func join(ids []string) string { return strings.Join(ids, "+") }
