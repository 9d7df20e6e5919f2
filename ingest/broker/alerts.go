package broker

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Bounds of the alert stream.
const (
	alertBytes   = 256 << 20
	alertRepeats = time.Hour // how far back a repeated id is known
)

// PublishEvent stores an event on a subject below AlertSubject; it is on disk when PublishEvent returns. The same
// id again within an hour is stored once. It returns where the event is, in words.
func (b *Broker) PublishEvent(ctx context.Context, subject, id, contentType string, body []byte) (said string, err error) {
	if !strings.HasPrefix(subject, AlertSubject) {
		return "", fmt.Errorf("broker: subject %q is not below %s", subject, AlertSubject)
	}
	m := &nats.Msg{Subject: subject, Data: body, Header: nats.Header{}}
	m.Header.Set(jetstream.MsgIDHeader, id)
	m.Header.Set("Content-Type", contentType)
	ack, err := b.js.PublishMsg(ctx, m)
	if err != nil {
		return "", fmt.Errorf("broker: publish on %s: %w", subject, err)
	}
	if ack.Duplicate {
		return fmt.Sprintf("the stream %s had it before, as %d", ack.Stream, ack.Sequence), nil
	}
	return fmt.Sprintf("stored as %d in the stream %s", ack.Sequence, ack.Stream), nil
}

// Where names the server for people, without secrets.
func (b *Broker) Where() string {
	switch {
	case b.server == nil:
		return b.conn.ConnectedUrlRedacted()
	case b.Addr() == "":
		return "the embedded server, which listens on no port (broker.listen)"
	}
	return "the embedded server on " + b.Addr()
}
