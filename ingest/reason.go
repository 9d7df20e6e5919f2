package ingest

import (
	"errors"
	"unicode"
	"unicode/utf8"

	"marginline/ingest/obd"
	"marginline/ingest/report"
)

// A Reason is why something is in the quarantine: a short word that stays the same for good.
type Reason string

// The reasons. The first seven are about whole reports, the others about single messages.
const (
	Unreadable         Reason = "unreadable"          // no JSON object, or a field of the wrong form
	MissingField       Reason = "missing_field"       // a required field is not there
	DeviceMismatch     Reason = "device_mismatch"     // the device field is not the subject's device
	VINMismatch        Reason = "vin_mismatch"        // the vehicle says another VIN than the report
	UnitMismatch       Reason = "unit_mismatch"       // VIN and device belong to different units
	ConflictingContent Reason = "conflicting_content" // the id is taken by a report with other content
	Poison             Reason = "poison"              // reading it made this program fail
	Undecodable        Reason = "undecodable"         // no hex, or a record that does not fit its service
	BadLength          Reason = "bad_length"          // not whole records
	UnknownService     Reason = "unknown_service"     // no decoder for the service
	NotReassembled     Reason = "not_reassembled"     // frames lost or out of order
)

// reasonOf maps what Parse or Decode say to a reason.
func reasonOf(err error) Reason {
	if field, ok := errors.AsType[*report.FieldError](err); ok && field.Missing {
		return MissingField
	}
	switch {
	case errors.Is(err, obd.ErrLength):
		return BadLength
	case errors.Is(err, obd.ErrService):
		return UnknownService
	}
	if _, ok := errors.AsType[*obd.FrameError](err); ok {
		return Undecodable
	}
	return Unreadable
}

// Printable says whether the bytes of a quarantine entry can be shown as text.
func Printable(raw []byte) bool {
	if !utf8.Valid(raw) {
		return false
	}
	for _, r := range string(raw) {
		if !unicode.IsPrint(r) && r != '\n' && r != '\r' && r != '\t' {
			return false
		}
	}
	return true
}
