package report

import (
	"encoding/json"
	"fmt"
	"math"
	"time"
	"unicode/utf8"

	"marginline/ingest/series"
)

// Encode writes the JSON form on one line, without a line end. Absent fields are left out. A report that
// Parse would refuse is an error, so that nothing unreadable is published by us.
func (r *Report) Encode() ([]byte, error) {
	if err := r.sendable(); err != nil {
		return nil, err
	}
	out := struct {
		ID          string    `json:"id"`
		Device      string    `json:"device"`
		VIN         string    `json:"vin,omitempty"`
		Time        string    `json:"time"`
		Received    string    `json:"received,omitempty"`
		Bus         string    `json:"bus"`
		OdometerKm  *float64  `json:"odometer_km,omitempty"`
		EngineHours *float64  `json:"engine_hours,omitempty"`
		Messages    []message `json:"messages"`
	}{
		ID: r.ID, Device: r.Device, VIN: r.VIN, Time: r.Time.UTC().Format(time.RFC3339Nano), Bus: r.Bus.String(),
		OdometerKm: present(r.OdometerKm), EngineHours: present(r.EngineHours),
		Messages: make([]message, len(r.Messages)),
	}
	if !r.Received.IsZero() {
		out.Received = r.Received.UTC().Format(time.RFC3339Nano)
	}
	for i, m := range r.Messages {
		out.Messages[i] = message{From: m.From, Data: fmt.Sprintf("%X", m.Data)}
		if m.PGN != series.None {
			out.Messages[i].PGN = &m.PGN
		}
	}
	text, err := json.Marshal(out)
	if err != nil {
		return nil, fmt.Errorf("report %q: %w", r.ID, err)
	}
	if err := r.fits(len(text)); err != nil {
		return nil, err
	}
	return text, nil
}

// sendable says why Parse would refuse what an encoder makes of the report.
func (r *Report) sendable() error {
	bad := r.missing()
	if bad == nil && !DeviceName(r.Device) {
		bad = wrong("device", "%q: want 1 to 64 of A-Z a-z 0-9 _ -", r.Device)
	}
	for _, f := range [...]struct{ name, text string }{{"id", r.ID}, {"vin", r.VIN}} {
		switch {
		case bad != nil:
		case len(f.text) > maxID:
			bad = wrong(f.name, "%d bytes: at most %d", len(f.text), maxID)
		case !utf8.ValidString(f.text):
			bad = wrong(f.name, "%q: not valid UTF-8", f.text)
		}
	}
	if bad != nil {
		return fmt.Errorf("report %q: %w", r.ID, bad)
	}
	for i := range r.Messages {
		switch m := &r.Messages[i]; {
		case m.Fault != "":
			return fmt.Errorf("report %q: message %d: %s", r.ID, i, m.Fault)
		case !utf8.ValidString(m.From):
			return fmt.Errorf("report %q: message %d: from %q is not valid UTF-8", r.ID, i, m.From)
		case m.PGN != series.None && (m.PGN < 0 || m.PGN > maxPGN):
			return fmt.Errorf("report %q: message %d: pgn %d, want a whole number from 0 to %d", r.ID, i, m.PGN, maxPGN)
		}
	}
	return nil
}

// fits checks the bounds of an encoded report of so many bytes.
func (r *Report) fits(bytes int) error {
	if bytes > MaxBytes || len(r.Messages) > MaxMessages {
		return fmt.Errorf("report %q: %d messages in %d bytes: at most %d in %d", r.ID, len(r.Messages), bytes, MaxMessages, MaxBytes)
	}
	return nil
}

type message struct {
	From string `json:"from"`
	PGN  *int32 `json:"pgn,omitempty"`
	Data string `json:"data"`
}

func present(v float64) *float64 {
	if math.IsNaN(v) {
		return nil
	}
	return &v
}
