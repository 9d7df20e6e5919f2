package report

import (
	_ "embed"
	"encoding/binary"
	"hash/fnv"
	"math"
	"regexp"
	"strings"
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
	Data  string // hex as sent, service byte first; the JSON of the whole element when Fault is set
	Fault string // why the element cannot be a message; "" when it can
}

var deviceName = regexp.MustCompile(`^[A-Za-z0-9_-]{1,64}$`)

// DeviceName says whether s can name a dongle: 1 to 64 letters, digits, underscores and hyphens, so that
// it is one token of a NATS subject and one level of an MQTT topic.
func DeviceName(s string) bool { return deviceName.MatchString(s) }

// Digest is a stable 64-bit FNV-1a hash of the content: the same for two reports that say the same,
// whatever their white space, field order, letter case of hex, and `received`.
func (r *Report) Digest() uint64 {
	h := fnv.New64a()
	var n [8]byte
	number := func(v uint64) {
		binary.LittleEndian.PutUint64(n[:], v)
		h.Write(n[:])
	}
	text := func(s string) { // the length first, so that neighbours cannot flow into each other
		number(uint64(len(s)))
		h.Write([]byte(s))
	}
	real := func(v float64) {
		if math.IsNaN(v) {
			v = math.NaN() // one bit pattern
		}
		number(math.Float64bits(v))
	}
	text(r.ID)
	text(r.Device)
	text(r.VIN)
	number(uint64(r.Time.Unix()))
	number(uint64(r.Time.Nanosecond()))
	number(uint64(r.Bus))
	real(r.OdometerKm)
	real(r.EngineHours)
	number(uint64(len(r.Messages)))
	for _, m := range r.Messages {
		text(plainHex(m.From))
		number(uint64(uint32(m.PGN)))
		if m.Fault != "" {
			text(m.Data)
		} else {
			text(plainHex(m.Data))
		}
	}
	return h.Sum64()
}

// plainHex drops white space and letter case, which carry nothing.
func plainHex(s string) string {
	clean := true
	for i := range len(s) {
		if c := s[i]; c <= ' ' || c >= 'A' && c <= 'Z' {
			clean = false
			break
		}
	}
	if clean {
		return s
	}
	return strings.ToLower(strings.Join(strings.Fields(s), ""))
}
