package report

import (
	"encoding/json"
	"fmt"
	"math"
	"time"

	"marginline/ingest/series"
)

// Encode writes the JSON form on one line, without a line end. Absent fields are left out. A report that
// Parse would refuse is an error, so that nothing unreadable is published by us.
func (r *Report) Encode() ([]byte, error) {
	if bad := r.missing(); bad != nil {
		return nil, fmt.Errorf("report %q: %w", r.ID, bad)
	}
	if !DeviceName(r.Device) {
		return nil, fmt.Errorf("report %q: %w", r.ID, wrong("device", "%q: want 1 to 64 of A-Z a-z 0-9 _ -", r.Device))
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
		if m.Fault != "" {
			return nil, fmt.Errorf("report %q: message %d: %s", r.ID, i, m.Fault)
		}
		out.Messages[i] = message{From: m.From, Data: m.Data}
		if m.PGN != series.None {
			out.Messages[i].PGN = &m.PGN
		}
	}
	text, err := json.Marshal(out)
	if err != nil {
		return nil, fmt.Errorf("report %q: %w", r.ID, err)
	}
	if len(text) > MaxBytes || len(r.Messages) > MaxMessages {
		return nil, fmt.Errorf("report %q: %d messages in %d bytes: at most %d in %d", r.ID, len(r.Messages), len(text), MaxMessages, MaxBytes)
	}
	return text, nil
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
