package main

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"marginline/ingest/broker/cutline"
)

// A service that is killed with SIGKILL at random moments, while a dongle publishes, commits come every few
// milliseconds and upkeep merges and deletes files, has in the end every report that it acknowledged, once.
// TEST_KILLS says how often it is killed; `make crash` does it hundreds of times.
func TestKilledServiceLosesAndDoublesNothing(t *testing.T) {
	kills := 5
	if s := os.Getenv("TEST_KILLS"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil || n < 1 {
			t.Fatalf("TEST_KILLS=%q", s)
		}
		kills = n
	}
	data := filepath.Join(t.TempDir(), "d")
	must(t, "import", "--data", data, "--roster", write(t, "roster.csv", "unit,vin,device\nU1,9ZZTEST74RA000123,dgl-1\n"))
	addr := free(t)
	start := func() (stop func()) {
		cmd := program(t, "serve", "--data", data, "--listen", free(t), "--broker-listen", addr, "--log-level", "error")
		cmd.Env = append(cmd.Env, "MARGINLINE_FLUSH_EVERY=10ms", "MARGINLINE_LAKE_EVERY=1s", "MARGINLINE_LAKE_SNAPSHOTS=3", "MARGINLINE_LAKE_SNAPSHOT_AGE=0s", "MARGINLINE_DISK_FLOOR=0")
		var errs strings.Builder
		cmd.Stderr = &errs
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		return func() {
			cmd.Process.Kill()
			cmd.Wait()
			if s := errs.String(); strings.Contains(s, "panic") {
				t.Error(s)
			}
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	d := &dongle{addr: addr}
	gone := make(chan struct{})
	go func() { defer close(gone); d.run(ctx) }()

	rng := rand.New(rand.NewPCG(1, uint64(kills)))
	idle := 0
	for range kills {
		before := d.kept.Load()
		stop := start()
		within(t, time.Minute, "a report is acknowledged", func() bool { return d.kept.Load() > before })
		time.Sleep(time.Duration(rng.IntN(1500)) * time.Millisecond)
		if stop(); d.kept.Load() < before+3 {
			idle++
		}
	}
	cancel()
	<-gone
	n := d.kept.Load()
	t.Logf("%d kills, %d reports acknowledged", kills, n)
	if idle > kills/2 {
		t.Errorf("%d of %d kills came before there was anything to lose", idle, kills)
	}
	must(t, "lake", "verify", "--data", data)
	// The last report may have been sent and not acknowledged: it may be there, or not, like the answer to it.
	stored, distinct := one(t, data, "select count(*) from reports"), one(t, data, "select count(distinct report_id) from reports")
	if missing := one(t, data, fmt.Sprintf("select count(*) from range(%d) r left join reports p on p.report_id = 'k-' || r.range where p.report_id is null", n)); missing != 0 {
		t.Errorf("%v of %d acknowledged reports are missing", missing, n)
	}
	if stored != distinct || stored < float64(n) || stored > float64(n)+1 {
		t.Errorf("%v reports, %v ids, %d acknowledged", stored, distinct, n)
	}
	if readings := one(t, data, "select count(*) from readings"); readings != 2*stored {
		t.Errorf("%v readings of %v reports with two each", readings, stored)
	}
	must(t, "lake", "verify", "--data", data)
}

// free is an address on this machine that nobody listens on.
func free(t *testing.T) string {
	t.Helper()
	addr, err := cutline.Unused()
	if err != nil {
		t.Fatal(err)
	}
	return addr
}

// A dongle publishes one report after the other, each again with the same id until it is acknowledged, over
// the protocol of NATS and no library.
type dongle struct {
	addr  string
	turns []string     // addresses that it tries one after the other; nil = addr alone
	kept  atomic.Int64 // reports acknowledged: those with smaller numbers
}

func (d *dongle) run(ctx context.Context) {
	for i := 0; ctx.Err() == nil; i++ {
		addr := d.addr
		if d.turns != nil {
			addr = d.turns[i%len(d.turns)]
		}
		if c, err := net.DialTimeout("tcp", addr, time.Second); err == nil {
			d.talk(ctx, c)
			c.Close()
		}
		time.Sleep(5 * time.Millisecond)
	}
}

// talk publishes until the connection breaks.
func (d *dongle) talk(ctx context.Context, c net.Conn) {
	fmt.Fprintf(c, "CONNECT {\"verbose\":false,\"pedantic\":false}\r\nSUB _INBOX.dgl-1.* 1\r\n")
	in := bufio.NewReader(c)
	for ctx.Err() == nil {
		n := d.kept.Load()
		payload := d.report(n)
		fmt.Fprintf(c, "PUB obd.reports.dgl-1 _INBOX.dgl-1.%d %d\r\n%s\r\n", n, len(payload), payload)
		c.SetReadDeadline(time.Now().Add(2 * time.Second))
		for {
			line, err := in.ReadString('\n')
			if err != nil || strings.HasPrefix(line, "-ERR") {
				return
			}
			if strings.HasPrefix(line, "PING") {
				fmt.Fprintf(c, "PONG\r\n")
			}
			if strings.HasPrefix(line, fmt.Sprintf("MSG _INBOX.dgl-1.%d ", n)) {
				body, err := in.ReadString('\n')
				if err != nil || !strings.Contains(body, `"seq"`) || strings.Contains(body, `"error"`) {
					return
				}
				d.kept.Store(n + 1)
				break
			}
		}
	}
}

// report is the report of a number.
func (d *dongle) report(n int64) string {
	at := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(n) * time.Minute).Format(time.RFC3339)
	return fmt.Sprintf(`{"id":"k-%d","device":"dgl-1","vin":"9ZZTEST74RA000123","time":"%s","bus":"can","messages":[{"from":"7E8","data":"46 21 89 20 01 %02X 00 80 FF FF 22 89 20 01 40 00 80 FF FF"}]}`, n, at, n%256)
}
