package report

import (
	_ "embed"
	"time"

	"marginline/ingest/series"
)

// Limits of one report. They bound what a reader has to hold; a dongle that needs more sends two reports.
const (
	MaxBytes    = 1 << 20 // of the whole payload
	MaxMessages = 4096
	maxID       = 256 // bytes of an id
	maxPGN      = 1<<18 - 1
)

// Schema is the JSON Schema (draft 2020-12) of the JSON form.
//
//go:embed report.schema.json
var Schema []byte

// Proto is the schema (proto3) of the protobuf form, message marginline.v1.Report.
//
//go:embed report.proto
var Proto []byte

// A Report is one message of a dongle.
type Report struct {
	ID                      string
	Device                  string    // dongle; matches DeviceName
	VIN                     string    // upper case; "" when not given
	Time                    time.Time // device clock, UTC
	Received                time.Time // when a relay took it in, UTC; zero when not given
	Bus                     series.Bus
	OdometerKm, EngineHours float64 // NaN when not given
	Messages                []Message
}

// A Message is one complete diagnostic message after transport reassembly.
type Message struct {
	From  string // CAN id, ECU or source address, hex, as sent
	PGN   int32  // J1939 parameter group number; series.None when not given
	Data  []byte // service byte first; J1939: the payload of the parameter group. Nil when Fault is set
	Fault string // why it cannot be a message; "" when it can

	// Broken says that the sender could not reassemble the message; Fault holds its reason, Data what it got
	// of the frames; nil when that is no hex.
	Broken bool

	Raw []byte // as sent, when Fault is set: text that is no hex, else the JSON or protobuf of the element
}

// DeviceName says whether s can name a dongle: 1 to 64 letters, digits, underscores and hyphens, so that
// it is one token of a NATS subject and one level of an MQTT topic.
func DeviceName[T string | []byte](s T) bool {
	for i := range len(s) {
		switch c := s[i]; {
		case c >= 'a' && c <= 'z', c >= 'A' && c <= 'Z', c >= '0' && c <= '9', c == '_', c == '-':
		default:
			return false
		}
	}
	return len(s) >= 1 && len(s) <= 64
}
