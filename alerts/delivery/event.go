package delivery

import (
	"crypto/sha256"
	"encoding/base32"
	"encoding/json"
	"time"

	"marginline/alerts"
)

// An Event is a CloudEvents 1.0 event in its JSON form.
type Event struct {
	SpecVersion string          `json:"specversion"`
	ID          string          `json:"id"`
	Source      string          `json:"source"`
	Type        string          `json:"type"`
	Time        time.Time       `json:"time"`
	Subject     string          `json:"subject"` // the unit
	ContentType string          `json:"datacontenttype"`
	Data        json.RawMessage `json:"data"`
}

// The types of event.
const (
	Raised   = "marginline.alert.raised"
	Reopened = "marginline.alert.reopened"
	Closed   = "marginline.alert.closed"
	Test     = "marginline.test"
)

// NewEvent is what happened to an alert. The same happening has the same id.
func NewEvent(kind string, a alerts.Alert, at time.Time) (Event, error) {
	data, err := json.Marshal(a)
	if err != nil {
		return Event{}, err
	}
	return Event{"1.0", idOf(kind, a.ID, at.UTC().Format(time.RFC3339Nano)), "/marginline", kind, at.UTC(), a.Unit, "application/json", data}, nil
}

// NewTest is an event that a person sends to see whether it arrives.
func NewTest(who string, at time.Time) Event {
	data, _ := json.Marshal(map[string]string{"sent_by": who}) // strings can always be written
	return Event{"1.0", idOf(Test, who, at.UTC().Format(time.RFC3339Nano)), "/marginline", Test, at.UTC(), "", "application/json", data}
}

func idOf(parts ...string) string {
	h := sha256.New()
	for _, p := range parts {
		h.Write([]byte(p))
		h.Write([]byte{0})
	}
	return "e-" + base32.StdEncoding.EncodeToString(h.Sum(nil))[:20]
}
