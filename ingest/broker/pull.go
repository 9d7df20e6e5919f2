package broker

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// consumerName is the durable consumer of the one that writes the lake.
const consumerName = "marginline"

// ackWait is far longer than any flush: what was delivered is delivered again only by starting anew.
const ackWait = time.Hour

// lookAgain is how long a quiet log is left alone.
const lookAgain = 25 * time.Millisecond

// A Msg is one report out of the log.
type Msg struct {
	Seq        uint64
	Device     string // from the subject
	Data       []byte
	Received   time.Time // ReceivedHeader; zero when not set
	BrokerTime time.Time // when the log took it
	Pending    uint64    // reports behind this one at delivery
	Replay     string    // name of the quarantine entry that it comes from; "" otherwise
}

// A Puller gives the reports behind a sequence, in order. One goroutine may Fetch while another one says Ack.
type Puller struct {
	b        *Broker
	stream   string // id of the stream
	consumer jetstream.Consumer
	last     uint64 // stream sequence of the newest report given out
	delivery uint64 // the consumer's own number of it; consecutive unless a delivery was lost

	mu   sync.Mutex
	open []unacked // given out
}

type unacked struct {
	seq   uint64
	reply string
}

// Pull starts behind the given sequence of the stream, 0 for the beginning.
func (b *Broker) Pull(ctx context.Context, after uint64) (*Puller, error) {
	p := &Puller{b: b, last: after}
	if err := p.start(ctx); err != nil {
		return nil, err
	}
	return p, nil
}

// ErrStreamReplaced is what Fetch returns when the report stream was deleted and made again: sequences
// mean other reports now.
var ErrStreamReplaced = errors.New("broker: the report stream was deleted and made again")

// start makes the durable consumer anew, behind the newest report given out.
func (p *Puller) start(ctx context.Context) error {
	info, err := p.b.info(ctx, Reports)
	if err != nil {
		return err
	}
	if p.stream != "" && p.stream != streamID(info) {
		return ErrStreamReplaced
	}
	p.stream = streamID(info)
	if err := p.b.js.DeleteConsumer(ctx, Reports, consumerName); err != nil && !errors.Is(err, jetstream.ErrConsumerNotFound) {
		return fmt.Errorf("broker: delete consumer: %w", err)
	}
	c, err := p.b.js.CreateConsumer(ctx, Reports, jetstream.ConsumerConfig{
		Durable: consumerName, AckPolicy: jetstream.AckAllPolicy, AckWait: ackWait, MaxAckPending: -1,
		DeliverPolicy: jetstream.DeliverByStartSequencePolicy, OptStartSeq: p.last + 1, ReplayPolicy: jetstream.ReplayInstantPolicy,
	})
	if err != nil {
		return fmt.Errorf("broker: create consumer: %w", err)
	}
	p.consumer, p.delivery = c, 0
	p.mu.Lock()
	p.open = nil
	p.mu.Unlock()
	return nil
}

// Fetch gives up to max reports: at once those that are there, else those that come within wait, else none.
// It looks again and again instead of leaving a request with the server: one that the server answers in the
// moment in which its time is up is lost on the way. Nothing is fetched ahead. After an error the next Fetch starts the consumer anew behind the
// newest report given out, so that nothing is left out and nothing comes twice.
func (p *Puller) Fetch(ctx context.Context, max int, wait time.Duration) ([]Msg, error) {
	if p.consumer == nil {
		if err := p.start(ctx); err != nil {
			return nil, err
		}
	}
	msgs, err := p.collect(p.consumer.FetchNoWait(max))
	for end := time.Now().Add(wait); err == nil && len(msgs) == 0 && ctx.Err() == nil && time.Now().Before(end); {
		pause := time.NewTimer(min(lookAgain, time.Until(end)))
		select {
		case <-pause.C:
		case <-ctx.Done():
		}
		pause.Stop()
		msgs, err = p.collect(p.consumer.FetchNoWait(max))
	}
	if err != nil {
		p.consumer = nil
		if len(msgs) > 0 { // they are in order and whole; the trouble will show again
			p.b.log.Warn("fetch", "err", err, "kept", len(msgs))
			return msgs, nil
		}
		return nil, fmt.Errorf("broker: fetch: %w", err)
	}
	return msgs, ctx.Err()
}

// errGap is a delivery that got lost on the way.
var errGap = errors.New("a delivery was lost")

func (p *Puller) collect(batch jetstream.MessageBatch, err error) ([]Msg, error) {
	if err != nil {
		return nil, err
	}
	var msgs []Msg
	var broken error
	for m := range batch.Messages() { // to the end, so that the batch's goroutine ends
		if broken != nil {
			continue
		}
		meta, err := m.Metadata()
		if err != nil {
			broken = err
			continue
		}
		seq := meta.Sequence
		if seq.Consumer != p.delivery+1 || seq.Stream <= p.last {
			broken = fmt.Errorf("%w: delivery %d of report %d follows delivery %d of report %d", errGap, seq.Consumer, seq.Stream, p.delivery, p.last)
			continue
		}
		p.delivery, p.last = seq.Consumer, seq.Stream
		msg := Msg{Seq: seq.Stream, Data: m.Data(), BrokerTime: meta.Timestamp.UTC(), Pending: meta.NumPending}
		var taken bool
		if msg.Device, taken = strings.CutPrefix(m.Subject(), takenSubject); !taken {
			msg.Device = strings.TrimPrefix(m.Subject(), ReportSubject)
		}
		if taken { // headers of others are nobody's word
			msg.Replay = m.Headers().Get(replayHeader)
			if t, err := time.Parse(time.RFC3339, m.Headers().Get(ReceivedHeader)); err == nil {
				msg.Received = t.UTC()
			}
		}
		msgs = append(msgs, msg)
		p.mu.Lock()
		p.open = append(p.open, unacked{seq.Stream, m.Reply()})
		p.mu.Unlock()
	}
	if broken == nil {
		broken = batch.Error()
	}
	if errors.Is(broken, nats.ErrTimeout) || errors.Is(broken, jetstream.ErrNoMessages) ||
		errors.Is(broken, context.DeadlineExceeded) || errors.Is(broken, context.Canceled) {
		broken = nil
	}
	return msgs, broken
}

// Ack tells the server that everything up to a sequence is done. Nothing depends on it but the server's
// own account of the lag; it returns when the server has it.
func (p *Puller) Ack(ctx context.Context, through uint64) error {
	reply := p.close(through)
	if reply == "" {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, callTimeout)
	defer cancel()
	if _, err := p.b.conn.RequestWithContext(ctx, reply, []byte("+ACK")); err != nil {
		return fmt.Errorf("broker: acknowledge through %d: %w", through, err)
	}
	return nil
}

// close takes out of what is open all up to a sequence, and gives the address of the last one; "" = there is none.
func (p *Puller) close(through uint64) (reply string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	n := 0
	for n < len(p.open) && p.open[n].seq <= through {
		n++
	}
	if n > 0 {
		reply = p.open[n-1].reply
		p.open = append(p.open[:0], p.open[n:]...)
	}
	return reply
}

// Stream is the id of the stream that the reports come from, as Broker.Stream gives it.
func (p *Puller) Stream() string { return p.stream }
