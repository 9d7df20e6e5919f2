package broker

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/synadia-io/orbit.go/jetstreamext"
)

// Bounds of one atomic batch: the server takes a thousand messages, and what is in flight must not fill
// the connection's buffers.
const (
	maxBatch      = 1000
	maxBatchBytes = 16 << 20
	batchTries    = 4
	headRoom      = 16 << 10 // for the headers of a message, words of a quarantine entry included
)

// Publish puts one report into the log; it is on disk when Publish returns. id is the report's, "" when
// not known: with it, a call that the client library repeats at once is stored once. Telling repeats and conflicts is
// the consumer's task.
func (b *Broker) Publish(ctx context.Context, device, id string, payload []byte) (seq uint64, err error) {
	m, err := reportMessage(Outgoing{Device: device, Payload: payload})
	if err != nil {
		return 0, err
	}
	if id != "" {
		h := fnv.New128a()
		h.Write([]byte(device + "\x00" + id + "\x00"))
		h.Write(payload)
		m.Header.Set(jetstream.MsgIDHeader, fmt.Sprintf("%x", h.Sum(nil)))
	}
	ack, err := b.js.PublishMsg(ctx, m)
	if err != nil {
		return 0, fmt.Errorf("broker: publish a report of %s: %w", device, err)
	}
	return ack.Sequence, nil
}

// MaxReport is how many bytes of payload the server takes in one message, headers left room for.
func (b *Broker) MaxReport() int { return int(b.conn.MaxPayload()) - headRoom }

// An Outgoing is one report to publish.
type Outgoing struct {
	Device   string
	Payload  []byte
	Received time.Time // goes along in ReceivedHeader; zero = none
	Replay   string    // name of the quarantine entry that it comes from; "" = none
}

// PublishBatch puts reports into the log in their order; all are on disk when it returns. They go in
// atomic batches of up to a thousand. After an error some batches may be stored: publishing all again is
// harmless, because the consumer drops what it has. lastSeq is the sequence of the last one stored.
func (b *Broker) PublishBatch(ctx context.Context, out []Outgoing) (lastSeq uint64, err error) {
	msgs := make([]*nats.Msg, 0, len(out))
	for _, o := range out {
		m, err := reportMessage(o)
		if err != nil {
			return 0, err
		}
		msgs = append(msgs, m)
	}
	if lastSeq, err = b.publishAll(ctx, msgs); err != nil {
		return lastSeq, fmt.Errorf("broker: publish %d reports: %w", len(out), err)
	}
	return lastSeq, nil
}

func reportMessage(o Outgoing) (*nats.Msg, error) {
	if o.Device == "" || strings.ContainsAny(o.Device, ".*> \t\r\n") {
		return nil, fmt.Errorf("broker: device %q can't be part of a subject", o.Device)
	}
	m := &nats.Msg{Subject: ReportSubject + o.Device, Data: o.Payload, Header: nats.Header{}}
	if o.Replay != "" || !o.Received.IsZero() {
		m.Subject = takenSubject + o.Device
	}
	if o.Replay != "" {
		m.Header.Set(replayHeader, o.Replay)
	}
	if !o.Received.IsZero() {
		m.Header.Set(ReceivedHeader, o.Received.UTC().Format(time.RFC3339Nano))
	}
	return m, nil
}

// publishAll stores messages in their order, in atomic batches where the server takes them.
func (b *Broker) publishAll(ctx context.Context, msgs []*nats.Msg) (lastSeq uint64, err error) {
	for len(msgs) > 0 {
		n, bytes := 0, 0
		for n < len(msgs) && n < maxBatch && (n == 0 || bytes+msgs[n].Size() <= maxBatchBytes) {
			bytes += msgs[n].Size()
			n++
		}
		var seq uint64
		if b.batch {
			seq, err = b.publishAtomic(ctx, msgs[:n])
		} else {
			seq, err = b.publishAsync(ctx, msgs[:n])
		}
		if err != nil {
			return lastSeq, err
		}
		lastSeq, msgs = seq, msgs[n:]
	}
	return lastSeq, nil
}

// publishAtomic stores all messages or none. A batch that the server gave up, or had no room for, is tried
// again as a new one.
func (b *Broker) publishAtomic(ctx context.Context, msgs []*nats.Msg) (uint64, error) {
	wait := 50 * time.Millisecond
	for try := 1; ; try++ {
		call, cancel := context.WithTimeout(ctx, 3*callTimeout)
		ack, err := jetstreamext.PublishMsgBatch(call, b.js, msgs)
		cancel()
		if err == nil {
			return ack.Sequence, nil
		}
		again := errors.Is(err, jetstreamext.ErrBatchPublishIncomplete) || errors.Is(err, jetstreamext.ErrAtomicPublishTooManyInflight) ||
			errors.Is(err, nats.ErrTimeout)
		if !again || try == batchTries || ctx.Err() != nil {
			return 0, fmt.Errorf("batch of %d: %w", len(msgs), err)
		}
		b.log.Warn("batch is tried again", "messages", len(msgs), "try", try, "err", err)
		for _, m := range msgs {
			m.Reply = ""
		}
		select {
		case <-ctx.Done():
			return 0, ctx.Err()
		case <-time.After(wait):
			wait *= 4
		}
	}
}

// publishAsync is for servers without atomic batches: many publishes under way, each acknowledged. A
// report that comes late because an earlier one failed only loses its place, and the error says so.
func (b *Broker) publishAsync(ctx context.Context, msgs []*nats.Msg) (lastSeq uint64, err error) {
	acks := make([]jetstream.PubAckFuture, len(msgs))
	for i, m := range msgs {
		if acks[i], err = b.js.PublishMsgAsync(m, jetstream.WithStallWait(callTimeout)); err != nil {
			return 0, err
		}
	}
	for i, a := range acks {
		select {
		case ack := <-a.Ok():
			lastSeq = max(lastSeq, ack.Sequence)
		case err := <-a.Err():
			return lastSeq, fmt.Errorf("message %d of %d: %w", i+1, len(acks), err)
		case <-ctx.Done():
			return lastSeq, ctx.Err()
		}
	}
	return lastSeq, nil
}
