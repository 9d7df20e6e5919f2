package ingest

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/prometheus/client_golang/prometheus"
	"go.uber.org/goleak"

	"marginline/ingest/broker"
	"marginline/ingest/fleet"
	"marginline/ingest/lake"
	"marginline/ingest/series"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// Invented VINs whose check digits hold (49 CFR 565).
const (
	vinA = "9ZZTEST74RA000123"
	vinB = "9ZZTEST7XRA000014"
)

// A house is the real parts around a Consumer, in a folder that outlives them.
type house struct {
	t      *testing.T
	dir    string
	broker *broker.Broker
	lake   *lake.Lake
	roster *fleet.Roster
	cfg    Config
	reg    *prometheus.Registry
	log    *slog.Logger

	prepare  func(*Consumer) // before it runs
	logBytes int64           // room of the log; 0 = no limit
	consumer *Consumer
	stop     context.CancelFunc
	done     chan error

	mu    sync.Mutex
	polls []*series.Poll // as OnCommit was told
}

type testLog struct{ t *testing.T }

func (l testLog) Write(p []byte) (int, error) {
	l.t.Log(strings.TrimSpace(string(p)))
	return len(p), nil
}

func newHouse(t *testing.T) *house {
	t.Helper()
	h := &house{t: t, dir: t.TempDir(), log: slog.New(slog.NewTextHandler(testLog{t}, nil)), cfg: Config{FlushEvery: time.Hour}}
	var err error
	h.roster, err = fleet.New([]fleet.Unit{{Unit: "A", VIN: vinA, Device: "dgl-a"}, {Unit: "B", VIN: vinB, Device: "dgl-b"}, {Unit: "C", Device: "dgl-c"}})
	if err != nil {
		t.Fatal(err)
	}
	h.open()
	t.Cleanup(h.close)
	return h
}

func (h *house) open() {
	h.t.Helper()
	var err error
	h.reg = prometheus.NewRegistry()
	if h.broker, err = broker.Open(context.Background(), broker.Config{Dir: filepath.Join(h.dir, "broker"), MQTT: "127.0.0.1:0", MaxBytes: h.logBytes}, h.log); err != nil {
		h.t.Fatal(err)
	}
	if h.lake, err = lake.Open(filepath.Join(h.dir, "lake"), h.log, h.reg); err != nil {
		h.t.Fatal(err)
	}
}

// run starts a Consumer over the given lake, or the house's own.
func (h *house) run(over Lake) {
	h.t.Helper()
	if over == nil {
		over = h.lake
	}
	h.consumer = NewConsumer(h.broker, over, func() *fleet.Roster { return h.roster }, h.cfg, h.log, h.reg)
	h.consumer.OnCommit = func(_ context.Context, polls []*series.Poll) {
		h.mu.Lock()
		defer h.mu.Unlock()
		for _, p := range polls { // they hold until we return
			kept := *p
			kept.Results = slices.Clone(p.Results)
			h.polls = append(h.polls, &kept)
		}
	}
	if h.prepare != nil {
		h.prepare(h.consumer)
	}
	var ctx context.Context
	ctx, h.stop = context.WithCancel(context.Background())
	h.done = make(chan error, 1)
	go func() { h.done <- h.consumer.Run(ctx) }()
}

// halt ends the Consumer in good order and gives what Run returned.
func (h *house) halt() error {
	if h.stop == nil {
		return nil
	}
	h.stop()
	h.stop = nil
	return <-h.done
}

func (h *house) close() {
	if err := errors.Join(h.halt(), h.broker.Close(), h.lake.Close()); err != nil {
		h.t.Error(err)
	}
}

// reopen closes everything and opens it again, as a restart does.
func (h *house) reopen() {
	h.t.Helper()
	h.close()
	h.open()
}

func (h *house) publish(device, payload string) uint64 {
	h.t.Helper()
	seq, err := h.broker.Publish(h.t.Context(), device, "", []byte(payload))
	if err != nil {
		h.t.Fatal(err)
	}
	return seq
}

// settled waits until all that was published is committed.
func (h *house) settled() {
	h.t.Helper()
	ctx, cancel := context.WithTimeout(h.t.Context(), 30*time.Second)
	defer cancel()
	_, last, err := h.broker.Stream(ctx)
	if err != nil {
		h.t.Fatal(err)
	}
	if err := h.consumer.Committed(ctx, last); err != nil {
		h.t.Fatal(err)
	}
}

// stored gives what the lake holds, by report id; an id that comes twice is an error.
func (h *house) stored() map[string]*series.Poll {
	h.t.Helper()
	got := map[string]*series.Poll{}
	for p, err := range h.lake.Polls(h.t.Context(), nil, nil, time.Time{}) {
		if err != nil {
			h.t.Fatal(err)
		}
		if got[p.ReportID] != nil {
			h.t.Errorf("report %q is stored twice", p.ReportID)
		}
		got[p.ReportID] = p
	}
	return got
}

func (h *house) quarantined() []broker.Entry {
	h.t.Helper()
	entries, err := h.broker.Quarantined(h.t.Context(), 0, 0)
	if err != nil {
		h.t.Fatal(err)
	}
	return entries
}

// await looks again and again until a condition holds.
func await(t *testing.T, holds func() bool) {
	t.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for end := time.Now().Add(30 * time.Second); !holds(); <-tick.C {
		if time.Now().After(end) {
			t.Fatal("waited in vain")
		}
	}
}

// metric reads one value; labels are name=value.
func (h *house) metric(name string, labels ...string) float64 {
	h.t.Helper()
	families, err := h.reg.Gather()
	if err != nil {
		h.t.Fatal(err)
	}
	for _, f := range families {
		if f.GetName() != name {
			continue
		}
		for _, m := range f.GetMetric() {
			var have []string
			for _, l := range m.GetLabel() {
				have = append(have, l.GetName()+"="+l.GetValue())
			}
			if slices.Equal(have, labels) || len(labels) == 0 {
				switch {
				case m.Counter != nil:
					return m.GetCounter().GetValue()
				case m.Gauge != nil:
					return m.GetGauge().GetValue()
				case m.Histogram != nil:
					return float64(m.GetHistogram().GetSampleCount())
				}
			}
		}
	}
	h.t.Errorf("no metric %s %v", name, labels)
	return math.NaN()
}

// reportOf is a report with a few fields set; more is what follows the messages' end, with a comma first.
func reportOf(id, device, vin, time string, messages ...string) string {
	list := make([]string, len(messages))
	for i, m := range messages {
		list[i] = fmt.Sprintf(`{"from":"7E8","data":%q}`, m)
	}
	v := ""
	if vin != "" {
		v = fmt.Sprintf(`"vin":%q,`, vin)
	}
	return fmt.Sprintf(`{"id":%q,"device":%q,%s"time":%q,"bus":"can","messages":[%s]}`, id, device, v, time, strings.Join(list, ","))
}

const (
	when   = "2026-03-02T06:14:09Z"
	result = "46 21 89 20 01 40 00 80 FF FF" // monitor 21, test 89: 0140 of at least 0080
	fuel   = "41 2F 80"                      // PID 2F: fuel level
)

var samePolls = cmp.Options{cmpopts.EquateNaNs(), cmpopts.EquateEmpty()}

// A brokenLake fails the first commits it is asked for.
type brokenLake struct {
	*lake.Lake
	fail  int // how many; below 0 = all
	tried chan struct{}
}

var errDisk = errors.New("no space left on device")

func (l *brokenLake) Commit(ctx context.Context, pos lake.Position) error {
	if l.tried != nil {
		select {
		case l.tried <- struct{}{}:
		default:
		}
	}
	if l.fail != 0 {
		l.fail--
		return errDisk
	}
	return l.Lake.Commit(ctx, pos)
}
