package broker

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

type testLog struct{ t testing.TB }

func (l testLog) Write(p []byte) (int, error) {
	l.t.Log(strings.TrimSpace(string(p)))
	return len(p), nil
}

func open(t testing.TB, cfg Config) *Broker {
	t.Helper()
	b, err := Open(t.Context(), cfg, slog.New(slog.NewTextHandler(testLog{t}, nil)))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func closeIt(t testing.TB, b *Broker) {
	t.Helper()
	if err := b.Close(); err != nil {
		t.Error("close:", err)
	}
}

// fetch takes n reports, in as many calls as it needs.
func fetch(t *testing.T, p *Puller, n int) []Msg {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	var all []Msg
	for len(all) < n {
		msgs, err := p.Fetch(ctx, n-len(all), time.Second)
		if err != nil {
			t.Fatalf("after %d of %d: %v", len(all), n, err)
		}
		all = append(all, msgs...)
	}
	return all
}

func outgoing(from, to int) []Outgoing {
	var out []Outgoing
	for i := from; i <= to; i++ {
		out = append(out, Outgoing{Device: fmt.Sprintf("d%d", i%3), Payload: fmt.Appendf(nil, "report %d", i)})
	}
	return out
}

func TestPublishAndPull(t *testing.T) {
	ctx := t.Context()
	b := open(t, Config{Dir: t.TempDir()})
	defer closeIt(t, b)
	if b.Addr() != "" {
		t.Error("listens on", b.Addr())
	}
	p, err := b.Pull(ctx, 0)
	if err != nil {
		t.Fatal(err)
	}
	if msgs, err := p.Fetch(ctx, 10, 20*time.Millisecond); err != nil || len(msgs) != 0 {
		t.Fatalf("an empty log gives %v, %v", msgs, err)
	}
	before := time.Now()
	for range 2 { // the second one is the same publish, tried again
		if seq, err := b.Publish(ctx, "dgl-1", "r1", []byte("one")); err != nil || seq != 1 {
			t.Fatalf("sequence %d, %v", seq, err)
		}
	}
	// The same id with other content must reach the consumer, which tells conflicts.
	if seq, err := b.Publish(ctx, "dgl-1", "r1", []byte("other")); err != nil || seq != 2 {
		t.Fatalf("sequence %d, %v", seq, err)
	}
	received := time.Date(2026, 3, 2, 6, 14, 9, 5, time.UTC)
	last, err := b.PublishBatch(ctx, append(outgoing(3, 2501), Outgoing{Device: "d9", Payload: []byte{}, Received: received}))
	if err != nil || last != 2502 {
		t.Fatalf("last %d, %v", last, err)
	}
	id, seq, err := b.Stream(ctx)
	if err != nil || seq != 2502 || !strings.HasPrefix(id, "OBD_REPORTS@20") || p.Stream() != id {
		t.Errorf("stream %q at %d, puller of %q, %v", id, seq, p.Stream(), err)
	}
	msgs := fetch(t, p, 2502)
	for i, m := range msgs {
		want := fmt.Sprintf("report %d", i+1)
		switch i {
		case 0:
			want = "one"
		case 1:
			want = "other"
		case 2501:
			want = ""
		}
		if m.Seq != uint64(i+1) || string(m.Data) != want {
			t.Fatalf("place %d: sequence %d, %q: want %q", i, m.Seq, m.Data, want)
		}
	}
	first, end := msgs[0], msgs[2501]
	if first.Device != "dgl-1" || !first.Received.IsZero() || first.BrokerTime.Before(before.Add(-time.Second)) || first.BrokerTime.After(time.Now().Add(time.Second)) {
		t.Errorf("first: %+v", first)
	}
	if end.Device != "d9" || !end.Received.Equal(received) || end.Pending != 0 || first.Pending == 0 {
		t.Errorf("last: %+v", end)
	}
	if err := p.Ack(ctx, 2502); err != nil {
		t.Error(err)
	}
	c, err := b.js.Consumer(ctx, Reports, consumerName)
	if err != nil {
		t.Fatal(err)
	}
	if info, err := c.Info(ctx); err != nil || info.AckFloor.Stream != 2502 || info.NumAckPending != 0 {
		t.Errorf("acknowledged through %d, %v", info.AckFloor.Stream, err)
	}
	if _, err := b.Publish(ctx, "a.b", "", nil); err == nil {
		t.Error("published under a device that is two tokens")
	}
}

// One that waits gets a report as soon as it comes.
func TestFetch_Waits(t *testing.T) {
	b := open(t, Config{Dir: t.TempDir()})
	defer closeIt(t, b)
	p, err := b.Pull(t.Context(), 0)
	if err != nil {
		t.Fatal(err)
	}
	got := make(chan error, 1)
	start := time.Now()
	go func() {
		msgs, err := p.Fetch(t.Context(), 10, 30*time.Second)
		if err == nil && (len(msgs) != 1 || string(msgs[0].Data) != "x") {
			err = fmt.Errorf("got %v", msgs)
		}
		got <- err
	}()
	if _, err := b.Publish(t.Context(), "d", "", []byte("x")); err != nil {
		t.Fatal(err)
	}
	if err := <-got; err != nil {
		t.Fatal(err)
	}
	if took := time.Since(start); took > 15*time.Second {
		t.Errorf("took %v", took)
	}
}

// After a restart reading goes on behind the sequence given, whatever was delivered or acknowledged
// before, and the stream is the same.
func TestRestart(t *testing.T) {
	dir := t.TempDir()
	b := open(t, Config{Dir: dir})
	if _, err := b.PublishBatch(t.Context(), outgoing(1, 20)); err != nil {
		t.Fatal(err)
	}
	id, _, err := b.Stream(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	p, err := b.Pull(t.Context(), 0)
	if err != nil {
		t.Fatal(err)
	}
	fetch(t, p, 15)
	if err := p.Ack(t.Context(), 10); err != nil {
		t.Fatal(err)
	}
	closeIt(t, b)

	b = open(t, Config{Dir: dir})
	defer closeIt(t, b)
	if again, last, err := b.Stream(t.Context()); err != nil || again != id || last != 20 {
		t.Errorf("%q at %d, %v: want %q at 20", again, last, err, id)
	}
	if p, err = b.Pull(t.Context(), 7); err != nil {
		t.Fatal(err)
	}
	for i, m := range fetch(t, p, 13) {
		if m.Seq != uint64(8+i) {
			t.Fatalf("sequence %d: want %d", m.Seq, 8+i)
		}
	}
}

// A delivery that gets lost on the way, here taken by somebody else, is fetched again in its place.
func TestLostDelivery(t *testing.T) {
	b := open(t, Config{Dir: t.TempDir()})
	defer closeIt(t, b)
	if _, err := b.PublishBatch(t.Context(), outgoing(1, 30)); err != nil {
		t.Fatal(err)
	}
	p, err := b.Pull(t.Context(), 0)
	if err != nil {
		t.Fatal(err)
	}
	fetch(t, p, 10)
	thief, err := b.js.Consumer(t.Context(), Reports, consumerName)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := thief.Next(); err != nil {
		t.Fatal(err)
	}
	if msgs, err := p.Fetch(t.Context(), 5, time.Second); !errors.Is(err, errGap) {
		t.Fatalf("%d reports, %v: the gap was not seen", len(msgs), err)
	}
	for i, m := range fetch(t, p, 20) {
		if m.Seq != uint64(11+i) {
			t.Fatalf("sequence %d: want %d", m.Seq, 11+i)
		}
	}
	if err := b.js.DeleteConsumer(t.Context(), Reports, consumerName); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Publish(t.Context(), "d", "", []byte("later")); err != nil {
		t.Fatal(err)
	}
	for {
		msgs, err := p.Fetch(t.Context(), 5, time.Second)
		if err == nil && len(msgs) == 1 && msgs[0].Seq == 31 {
			break
		}
		if err == nil && len(msgs) > 0 {
			t.Fatalf("%+v", msgs)
		}
	}
}

func TestStreamReplaced(t *testing.T) {
	b := open(t, Config{Dir: t.TempDir()})
	defer closeIt(t, b)
	if _, err := b.PublishBatch(t.Context(), outgoing(1, 3)); err != nil {
		t.Fatal(err)
	}
	p, err := b.Pull(t.Context(), 0)
	if err != nil {
		t.Fatal(err)
	}
	old := p.Stream()
	if err := b.js.DeleteStream(t.Context(), Reports); err != nil {
		t.Fatal(err)
	}
	if err := b.streams(t.Context(), Config{}); err != nil {
		t.Fatal(err)
	}
	for err = nil; !errors.Is(err, ErrStreamReplaced); {
		var msgs []Msg
		if msgs, err = p.Fetch(t.Context(), 5, 50*time.Millisecond); len(msgs) > 0 {
			t.Fatalf("read %v out of another stream", msgs)
		}
		if t.Context().Err() != nil {
			t.Fatal(err)
		}
	}
	if id, _, err := b.Stream(t.Context()); err != nil || id == old {
		t.Errorf("%q after %q, %v", id, old, err)
	}
}

func TestQuarantine(t *testing.T) {
	ctx := t.Context()
	dir := t.TempDir()
	b := open(t, Config{Dir: dir})
	at := time.Date(2026, 3, 2, 6, 14, 9, 0, time.UTC)
	var entries []Entry
	for seq := uint64(1); seq <= 700; seq++ {
		entries = append(entries, Entry{Stream: "S@1", Seq: seq, Message: WholeReport, Device: "d", Reason: "unreadable", Detail: "line\nbreak, \"quotes\" and ünïcode", At: at, Raw: []byte{0, 1, byte(seq), '\r', '\n'}})
	}
	entries = append(entries, Entry{Stream: "S@1", Seq: 700, Message: 0, ReportID: "r\r\nX: y", Reason: "bad_length", At: at, Raw: []byte{}},
		Entry{Stream: "S@1", Seq: 700, Message: 12, Reason: "undecodable", At: at, Raw: []byte("46 01")},
		Entry{Stream: "S@2", Seq: 1, Message: WholeReport, Reason: "missing_field", At: at, Raw: make([]byte, 1<<20)})
	for range 2 { // putting everything again keeps one of each
		if err := b.Quarantine(ctx, entries); err != nil {
			t.Fatal(err)
		}
	}
	closeIt(t, b)
	b = open(t, Config{Dir: dir})
	defer closeIt(t, b)
	got, err := b.Quarantined(ctx, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(entries, got, cmp.Comparer(bytes.Equal)); diff != "" {
		t.Error(diff)
	}
	if n, err := b.QuarantineSize(ctx); err != nil || n != 703 {
		t.Errorf("%d entries, %v", n, err)
	}
	if got, err = b.Quarantined(ctx, 700, 2); err != nil || len(got) != 2 || got[0].Seq != 700 || got[1].Message != 0 {
		t.Errorf("from 700: %d entries, %v", len(got), err)
	}
	long := Entry{Stream: "S@3", Seq: 1, Message: WholeReport, Detail: strings.Repeat("é", 5000)}
	if err := b.Quarantine(ctx, []Entry{long}); err != nil {
		t.Fatal(err)
	}
}

// A server of its own, reached by URL: the broker makes its streams there and does not stop it.
func TestExternal(t *testing.T) {
	ctx := t.Context()
	host := open(t, Config{Dir: t.TempDir(), Listen: "127.0.0.1:0"})
	defer closeIt(t, host)
	b := open(t, Config{URL: "nats://" + host.Addr()})
	if last, err := b.PublishBatch(ctx, outgoing(1, 1500)); err != nil || last != 1500 {
		t.Fatalf("last %d, %v", last, err)
	}
	b.batch = false // as on a server that knows no atomic batches
	if last, err := b.PublishBatch(ctx, outgoing(1501, 1600)); err != nil || last != 1600 {
		t.Fatalf("last %d, %v", last, err)
	}
	p, err := b.Pull(ctx, 0)
	if err != nil {
		t.Fatal(err)
	}
	for i, m := range fetch(t, p, 1600) {
		if string(m.Data) != fmt.Sprintf("report %d", i+1) {
			t.Fatalf("place %d: %q", i, m.Data)
		}
	}
	closeIt(t, b)
	// A dongle needs nothing but the subject.
	c, err := nats.Connect("nats://" + host.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	js, err := jetstream.New(c)
	if err != nil {
		t.Fatal(err)
	}
	if ack, err := js.Publish(ctx, "obd.reports.dgl-7", []byte("{}")); err != nil || ack.Sequence != 1601 || ack.Stream != Reports {
		t.Fatalf("%+v, %v", ack, err)
	}
}

// An external server that goes away and comes back: reading goes on where it was, nothing is lost.
func TestServerComesBack(t *testing.T) {
	ctx := t.Context()
	cfg := Config{Dir: t.TempDir(), Listen: "127.0.0.1:0"}
	host := open(t, cfg)
	cfg.Listen = host.Addr()
	b := open(t, Config{URL: "nats://" + host.Addr()})
	defer closeIt(t, b)
	if _, err := b.PublishBatch(ctx, outgoing(1, 30)); err != nil {
		t.Fatal(err)
	}
	p, err := b.Pull(ctx, 0)
	if err != nil {
		t.Fatal(err)
	}
	fetch(t, p, 10)
	closeIt(t, host)
	if msgs, err := p.Fetch(ctx, 5, 100*time.Millisecond); len(msgs) > 0 {
		t.Fatalf("%d reports from a server that is gone, %v", len(msgs), err)
	}
	host = open(t, cfg)
	defer closeIt(t, host)
	next := uint64(11)
	for end := time.Now().Add(30 * time.Second); next <= 30; {
		if time.Now().After(end) {
			t.Fatalf("stuck before %d", next)
		}
		msgs, err := p.Fetch(ctx, 5, 200*time.Millisecond)
		if err != nil {
			t.Log(err)
		}
		for _, m := range msgs {
			if m.Seq != next {
				t.Fatalf("sequence %d, want %d", m.Seq, next)
			}
			next++
		}
	}
}

// What is called after Close fails and does not panic.
func TestClosed(t *testing.T) {
	b := open(t, Config{Dir: t.TempDir()})
	p, err := b.Pull(t.Context(), 0)
	if err != nil {
		t.Fatal(err)
	}
	closeIt(t, b)
	closeIt(t, b)
	if _, err := b.Publish(t.Context(), "d", "", []byte("x")); err == nil {
		t.Error("published")
	}
	if err := b.Quarantine(t.Context(), []Entry{{Stream: "S", Seq: 1}}); err == nil {
		t.Error("quarantined")
	}
	if _, err := p.Fetch(t.Context(), 1, 10*time.Millisecond); err == nil {
		t.Error("fetched")
	}
	if _, err := b.Quarantined(t.Context(), 0, 0); err == nil {
		t.Error("read the quarantine")
	}
}

func TestOpen_Failure(t *testing.T) {
	for _, c := range []struct {
		cfg  Config
		says string
	}{
		{Config{}, "needs a folder"},
		{Config{Dir: t.TempDir(), Listen: "nowhere"}, "listen"},
		{Config{URL: "nats://127.0.0.1:1"}, "connect to nats://127.0.0.1:1"},
	} {
		b, err := Open(t.Context(), c.cfg, slog.New(slog.DiscardHandler))
		if err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%+v: %v: want %q", c.cfg, err, c.says)
		}
		if b != nil {
			t.Error("a broker beside an error")
		}
	}
}

// An address that somebody else listens on is named at once, for each of the ways in.
func TestAddressInUse(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	used := l.Addr().String()
	for name, cfg := range map[string]Config{
		"listen": {Listen: used}, "mqtt": {MQTT: used},
		"cluster: listen": {Listen: "127.0.0.1:0", Cluster: Cluster{Node: "a", Listen: used, Routes: []string{"127.0.0.1:1"}}},
	} {
		cfg.Dir = t.TempDir()
		b, err := Open(t.Context(), cfg, slog.New(slog.DiscardHandler))
		if err == nil {
			closeIt(t, b)
		}
		if want := "broker: " + name + ": listen tcp " + used; err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %s", name, err, want)
		}
	}
}
