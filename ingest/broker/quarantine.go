package broker

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/synadia-io/orbit.go/jetstreamext"
)

// WholeReport is the Message of an entry that holds a whole report.
const WholeReport = -1

// An Entry is one thing that could not be taken in: a whole report, or one message of it.
type Entry struct {
	Stream   string    `json:"stream"`  // id of the report stream
	Seq      uint64    `json:"seq"`     // of the report in that stream
	Message  int       `json:"message"` // index of the message in its report, from 0; WholeReport
	Device   string    `json:"device"`
	ReportID string    `json:"report_id"` // "" when it could not be read
	Reason   string    `json:"reason"`    // a short stable word
	Detail   string    `json:"detail"`    // for people
	At       time.Time `json:"at"`        // when the log took the report
	Raw      []byte    `json:"-"`         // the payload as published, or the message's bytes
}

// entryHeader carries an entry without its raw bytes, as JSON; the bytes are the payload.
const entryHeader = "Obd-Entry"

// maxDetail bounds the words of an entry.
const maxDetail = 1024

func (e *Entry) subject() string { return quarantinePrefix + e.Name() }

// Name tells an entry from all others, for good.
func (e *Entry) Name() string {
	message := "report"
	if e.Message != WholeReport {
		message = strconv.Itoa(e.Message)
	}
	return streamToken(e.Stream) + "." + strconv.FormatUint(e.Seq, 10) + "." + message
}

// Quarantine puts entries into the quarantine; all are on disk when it returns. An entry that is there
// already is replaced, so putting the same twice keeps one.
func (b *Broker) Quarantine(ctx context.Context, entries []Entry) error {
	msgs := make([]*nats.Msg, 0, len(entries))
	for i := range entries {
		e := entries[i]
		if len(e.Detail) > maxDetail {
			e.Detail = strings.ToValidUTF8(e.Detail[:maxDetail], "") + " ..."
		}
		if room := b.MaxReport(); len(e.Raw) > room { // it must fit, or the report would block all behind it
			e.Detail += fmt.Sprintf(" (only the first %d of %d bytes are kept)", room, len(e.Raw))
			e.Raw = e.Raw[:room]
		}
		head, err := json.Marshal(e)
		if err != nil {
			return fmt.Errorf("broker: quarantine: %w", err)
		}
		msgs = append(msgs, &nats.Msg{Subject: e.subject(), Header: nats.Header{entryHeader: {string(head)}}, Data: e.Raw})
	}
	if _, err := b.publishAll(ctx, msgs); err != nil {
		return fmt.Errorf("broker: quarantine %d entries: %w", len(entries), err)
	}
	return nil
}

// Discard takes entries out of the quarantine, by name. One that is not there is none the less out.
func (b *Broker) Discard(ctx context.Context, names []string) error {
	s, err := b.js.Stream(ctx, Quarantine)
	if err != nil {
		return fmt.Errorf("broker: discard: %w", err)
	}
	for _, n := range names {
		if err := s.Purge(ctx, jetstream.WithPurgeSubject(quarantinePrefix+n)); err != nil {
			return fmt.Errorf("broker: discard %s: %w", n, err)
		}
	}
	return nil
}

// ErrGone is what Report returns when the log does not hold the report any more.
var ErrGone = errors.New("the report has left the log")

// Report reads one report of the log again: the payload as it was published. stream is the id of the stream
// that the sequence belongs to.
func (b *Broker) Report(ctx context.Context, stream string, seq uint64) ([]byte, error) {
	s, err := b.js.Stream(ctx, Reports)
	if err != nil {
		return nil, fmt.Errorf("broker: report %d: %w", seq, err)
	}
	if id, _, _ := strings.Cut(stream, "~"); id != streamID(s.CachedInfo()) {
		return nil, fmt.Errorf("broker: report %d of %s: %w", seq, stream, ErrGone)
	}
	m, err := s.GetMsg(ctx, seq)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return nil, fmt.Errorf("broker: report %d: %w", seq, ErrGone)
	}
	if err != nil {
		return nil, fmt.Errorf("broker: report %d: %w", seq, err)
	}
	return m.Data, nil
}

// Quarantined gives entries ordered by report stream, sequence and message: up to max of them (0 = all),
// from the given sequence on.
func (b *Broker) Quarantined(ctx context.Context, from uint64, max int) ([]Entry, error) {
	var all []Entry
	err := b.EachQuarantined(ctx, func(e Entry) error {
		if e.Seq >= from {
			all = append(all, e)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	slices.SortFunc(all, func(x, y Entry) int {
		return cmp.Or(cmp.Compare(x.Stream, y.Stream), cmp.Compare(x.Seq, y.Seq), cmp.Compare(x.Message, y.Message))
	})
	if max > 0 && len(all) > max {
		all = all[:max]
	}
	return all, nil
}

// EachQuarantined gives every entry in the order of writing, a page at a time in memory, until yield fails.
func (b *Broker) EachQuarantined(ctx context.Context, yield func(Entry) error) error {
	info, err := b.info(ctx, Quarantine)
	if err != nil {
		return err
	}
	for next, last := info.State.FirstSeq, info.State.LastSeq; info.State.Msgs > 0 && next <= last; {
		batch, err := b.page(ctx, next)
		if err != nil {
			return fmt.Errorf("broker: read the quarantine: %w", err)
		}
		if len(batch) == 0 {
			break
		}
		for _, m := range batch {
			next = m.Sequence + 1
			var e Entry
			if err := json.Unmarshal([]byte(m.Header.Get(entryHeader)), &e); err != nil {
				b.log.Warn("quarantine: entry without a readable head", "subject", m.Subject, "err", err)
				continue
			}
			e.Raw = m.Data
			if err := yield(e); err != nil {
				return err
			}
		}
	}
	return nil
}

// page reads messages of the quarantine from a sequence on.
func (b *Broker) page(ctx context.Context, from uint64) ([]*jetstream.RawStreamMsg, error) {
	ctx, cancel := context.WithTimeout(ctx, callTimeout)
	defer cancel()
	seq, err := jetstreamext.GetBatch(ctx, b.js, Quarantine, 256, jetstreamext.GetBatchSeq(from), jetstreamext.GetBatchMaxBytes(8<<20))
	if err != nil {
		return nil, err
	}
	var msgs []*jetstream.RawStreamMsg
	for m, err := range seq {
		if errors.Is(err, jetstream.ErrNoMessages) || errors.Is(err, jetstreamext.ErrNoMessages) {
			break
		}
		if err != nil {
			return nil, err
		}
		msgs = append(msgs, m)
	}
	return msgs, nil
}

// QuarantineSize is the number of entries in the quarantine.
func (b *Broker) QuarantineSize(ctx context.Context) (uint64, error) {
	info, err := b.info(ctx, Quarantine)
	if err != nil {
		return 0, err
	}
	return info.State.Msgs, nil
}
