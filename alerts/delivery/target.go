package delivery

import (
	"context"
	"errors"
	"time"
)

// Errors of deliveries; match them with errors.Is.
var (
	ErrRefused  = errors.New("refused for good") // trying again cannot help
	ErrNoTarget = errors.New("no such receiver")
)

// A Channel takes an event to its receiver and returns what the receiver said. due is when the event was to be
// sent at first: it stays the same when it is tried again.
type Channel interface {
	Send(ctx context.Context, e Event, due time.Time) (said string, err error)
}

// The ways of delivery.
const (
	WayWebhook  = "webhook"
	WayMail     = "mail"
	WayNATS     = "nats"
	WayCalendar = "calendar"
	WayFiles    = "files"
)

// A Target is one receiver.
type Target struct {
	Name    string // its deliveries are kept under this name
	Way     string
	Where   string // the address, without secrets
	When    string // in words: what it gets, and when
	Channel Channel

	// Due is when an event may be sent if it is to be sent at t, and whether the target wants it at all. nil: every
	// event, at once.
	Due func(e Event, t time.Time) (at time.Time, wanted bool)
}

func (t *Target) due(e Event, at time.Time) (time.Time, bool) {
	if t.Due == nil || e.Type == Test {
		return at, true
	}
	return t.Due(e, at)
}

// Never is the Due of what is fetched and not sent: it can be tested only.
func Never(Event, time.Time) (time.Time, bool) { return time.Time{}, false }

// A Check is the Channel of what is fetched: it looks whether what would be fetched is in order.
type Check func(ctx context.Context) (said string, err error)

// Send checks.
func (c Check) Send(ctx context.Context, _ Event, _ time.Time) (string, error) { return c(ctx) }
