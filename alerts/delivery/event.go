package delivery

import (
	"crypto/sha256"
	"encoding/base32"
	"encoding/json"
	"fmt"
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
	Subject     string          `json:"subject,omitempty"` // the unit; the depots of a digest
	ContentType string          `json:"datacontenttype"`
	Data        json.RawMessage `json:"data"`
}

// The types of event.
const (
	Raised    = "marginline.alert.raised"
	Worsened  = "marginline.alert.worsened"
	Reopened  = "marginline.alert.reopened"
	Closed    = "marginline.alert.closed"
	Withdrawn = "marginline.alert.withdrawn"
	Daily     = "marginline.digest"
	Test      = "marginline.test"
)

var typeOf = map[alerts.Happening]string{
	alerts.WasRaised: Raised, alerts.HasWorsened: Worsened, alerts.WasReopened: Reopened, alerts.HasEnded: Closed, alerts.WasWithdrawn: Withdrawn,
}

// NewEvent is what happened to an alert. The same happening has the same id.
func NewEvent(h alerts.Happening, a alerts.Alert, at time.Time) (Event, error) {
	kind, ok := typeOf[h]
	if !ok {
		return Event{}, fmt.Errorf("delivery: happening %q", h)
	}
	return newEvent(kind, a.Unit, at, a, a.ID, at.UTC().Format(time.RFC3339Nano))
}

// NewTest is an event that a person sends to see whether it arrives.
func NewTest(who string, at time.Time) (Event, error) {
	return newEvent(Test, "", at, map[string]string{"sent_by": who}, who, at.UTC().Format(time.RFC3339Nano))
}

// newEvent makes an event whose id hashes its type and the parts given.
func newEvent(kind, subject string, at time.Time, data any, parts ...string) (Event, error) {
	body, err := json.Marshal(data)
	if err != nil {
		return Event{}, fmt.Errorf("delivery: %s: %w", kind, err)
	}
	return Event{"1.0", idOf(append([]string{kind}, parts...)...), "/marginline", kind, at.UTC(), subject, "application/json", body}, nil
}

// alert is what the event is about; false for those that are about none.
func (e *Event) alert() (a alerts.Alert, is bool) {
	if e.Type == Test || e.Type == Daily {
		return a, false
	}
	return a, json.Unmarshal(e.Data, &a) == nil
}

func idOf(parts ...string) string {
	h := sha256.New()
	for _, p := range parts {
		h.Write([]byte(p))
		h.Write([]byte{0})
	}
	return "e-" + base32.StdEncoding.EncodeToString(h.Sum(nil))[:20]
}
