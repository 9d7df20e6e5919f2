package ingest

import (
	"log/slog"
	"strings"
	"testing"
	"time"

	"marginline/ingest/broker"
	"marginline/ingest/broker/cutline"
)

// heard tells when the log of the service said that the log of reports is asked again.
type heard chan struct{}

func (c heard) Write(p []byte) (int, error) {
	if strings.Contains(string(p), "the log is asked again") {
		select {
		case c <- struct{}{}:
		default:
		}
	}
	return len(p), nil
}

// A log that is away when the Consumer begins is asked again until it answers; so is the quarantine, which is read first.
func TestLogAwayAtTheStart(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	host, err := broker.Open(t.Context(), broker.Config{Dir: t.TempDir(), Listen: "127.0.0.1:0"}, h.log)
	if err != nil {
		t.Fatal(err)
	}
	defer host.Close()
	line, err := cutline.New(host.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer line.Close()
	own := h.broker
	defer func() {
		if err := own.Close(); err != nil {
			t.Error(err)
		}
	}()
	if h.broker, err = broker.Open(t.Context(), broker.Config{URL: "nats://" + line.Addr()}, h.log); err != nil {
		t.Fatal(err)
	}
	if _, err := host.PublishBatch(t.Context(), []broker.Outgoing{{Device: "dgl-a", Payload: []byte(reportOf("r1", "dgl-a", vinA, when, result))}}); err != nil {
		t.Fatal(err)
	}
	asked := make(heard, 1)
	h.log = slog.New(slog.NewTextHandler(asked, nil))
	line.Cut(true)
	h.run(nil)
	select {
	case <-asked:
	case err := <-h.done:
		t.Fatalf("Run ended while the log was away: %v", err)
	case <-time.After(time.Minute):
		t.Fatal("nothing was said of a log that is away")
	}
	line.Cut(false)
	h.settled()
	if n := len(h.stored()); n != 1 {
		t.Errorf("%d reports, want 1", n)
	}
}
