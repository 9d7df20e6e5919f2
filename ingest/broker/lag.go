package broker

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// A Lag is what the log holds behind a sequence, and how long it will hold it.
type Lag struct {
	Waiting   uint64        // reports behind the sequence
	Oldest    time.Time     // when the log took the first of them; zero when there is none
	Retention time.Duration // age at which reports leave the log; 0 = never
	Bytes     uint64        // of all reports in the log
	Held      uint64        // entries in the quarantine
}

// Lag says what is behind a sequence. It asks the server, a matter of a millisecond.
func (b *Broker) Lag(ctx context.Context, after uint64) (Lag, error) {
	s, err := b.js.Stream(ctx, Reports)
	if err != nil {
		return Lag{}, fmt.Errorf("broker: lag: %w", err)
	}
	info := s.CachedInfo()
	l := Lag{Retention: info.Config.MaxAge, Bytes: info.State.Bytes}
	if l.Held, err = b.QuarantineSize(ctx); err != nil {
		return Lag{}, err
	}
	first := max(after+1, info.State.FirstSeq)
	if info.State.Msgs == 0 || first > info.State.LastSeq {
		return l, nil
	}
	l.Waiting = info.State.LastSeq - first + 1
	m, err := s.GetMsg(ctx, first)
	switch {
	case err == nil:
		l.Oldest = m.Time.UTC()
	case !errors.Is(err, jetstream.ErrMsgNotFound): // it has just left by age
		return Lag{}, fmt.Errorf("broker: lag: %w", err)
	}
	return l, nil
}

// MakeRoom takes reports out of a log whose size is limited (Config.MaxBytes) and that is three quarters
// full: the oldest third, and never one behind the given sequence. So what is not committed is never dropped
// for want of room: a full log refuses a report, and its dongle keeps it.
func (b *Broker) MakeRoom(ctx context.Context, through uint64) error {
	if b.maxBytes == 0 {
		return nil
	}
	s, err := b.js.Stream(ctx, Reports)
	if err != nil {
		return fmt.Errorf("broker: make room: %w", err)
	}
	state := s.CachedInfo().State
	if state.Msgs == 0 || state.Bytes < uint64(b.maxBytes)/4*3 {
		return nil
	}
	keep := min(state.FirstSeq+(state.LastSeq-state.FirstSeq+3)/3, through+1) // the first to stay
	if keep <= state.FirstSeq {
		return nil
	}
	if err := s.Purge(ctx, jetstream.WithPurgeSequence(keep)); err != nil {
		return fmt.Errorf("broker: make room: %w", err)
	}
	b.log.Info("committed reports left the log for want of room", "through", keep-1)
	return nil
}
