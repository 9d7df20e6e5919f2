package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"marginline/ingest/broker/cutline"
)

// nodes are three processes on one data folder, with brokers that keep the log together; lines[i][j] is the way from
// the broker of node i to that of node j.
type nodes struct {
	t     *testing.T
	data  string
	web   [3]string
	nats  [3]string
	env   [3][]string
	lines [3][3]*cutline.Line
	cmd   [3]*exec.Cmd
	logs  [3]*bytes.Buffer
}

func newNodes(t *testing.T, data string) *nodes {
	t.Helper()
	n := &nodes{t: t, data: data}
	var route [3]string
	for i := range route {
		route[i], n.web[i], n.nats[i] = free(t), free(t), free(t)
	}
	for i := range route {
		var routes []string
		for j := range route {
			if i == j {
				continue
			}
			k, err := cutline.New(route[j])
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(k.Close)
			n.lines[i][j] = k
			routes = append(routes, k.Addr())
		}
		n.env[i] = []string{
			"MARGINLINE_CLUSTER_NODE=" + n.name(i), "MARGINLINE_CLUSTER_LISTEN=" + route[i], "MARGINLINE_CLUSTER_TOLD=" + free(t), // nobody is there: the lines are the only way
			"MARGINLINE_CLUSTER_ROUTES=" + strings.Join(routes, ","),
			"MARGINLINE_BROKER_DIR=" + filepath.Join(t.TempDir(), "broker"), "MARGINLINE_FLUSH_EVERY=100ms", "MARGINLINE_DISK_FLOOR=0",
		}
		n.logs[i] = &bytes.Buffer{}
	}
	t.Cleanup(func() {
		for i := range n.cmd {
			n.kill(i)
			if t.Failed() {
				t.Logf("%s\n%s", n.name(i), n.logs[i])
			}
		}
	})
	return n
}

func (n *nodes) name(i int) string { return fmt.Sprintf("node-%c", 'a'+i) }

func (n *nodes) start(i int) {
	n.t.Helper()
	cmd := program(n.t, "serve", "--data", n.data, "--listen", n.web[i], "--broker-listen", n.nats[i], "--log-level", "info")
	cmd.Env = append(cmd.Env, n.env[i]...)
	cmd.Stderr = n.logs[i]
	if err := cmd.Start(); err != nil {
		n.t.Fatal(err)
	}
	n.cmd[i] = cmd
}

func (n *nodes) kill(i int) {
	if n.cmd[i] != nil {
		n.cmd[i].Process.Kill()
		n.cmd[i].Wait()
		n.cmd[i] = nil
	}
}

// lives says that no node has ended by itself.
func (n *nodes) lives(when string) {
	n.t.Helper()
	for i, cmd := range n.cmd {
		stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", cmd.Process.Pid))
		if _, after, _ := strings.Cut(string(stat), ") "); err != nil || strings.HasPrefix(after, "Z") {
			n.t.Fatalf("%s: %s has ended", when, n.name(i))
		}
	}
}

// stop ends a node in good order.
func (n *nodes) stop(i int) {
	n.t.Helper()
	n.cmd[i].Process.Signal(syscall.SIGTERM)
	if err := n.cmd[i].Wait(); err != nil {
		n.t.Errorf("%s: %v", n.name(i), err)
	}
	n.cmd[i] = nil
}

// leader is the node whose pages are ready; -1 = none.
func (n *nodes) leader() int {
	c := http.Client{Timeout: time.Second}
	for i := range n.web {
		r, err := c.Get("http://" + n.web[i] + "/readyz")
		if err != nil {
			continue
		}
		io.Copy(io.Discard, r.Body)
		r.Body.Close()
		if r.StatusCode == http.StatusOK {
			return i
		}
	}
	return -1
}

// led waits until a node leads, and not the one given.
func (n *nodes) led(not int) (i int) {
	n.t.Helper()
	within(n.t, 2*time.Minute, "a node leads", func() bool { i = n.leader(); return i >= 0 && i != not })
	return i
}

// settled waits until one node leads and the others stand by.
func (n *nodes) settled() (leader int) {
	n.t.Helper()
	leader = n.led(-1)
	for i := range n.cmd {
		if i != leader {
			n.stands(i)
		}
	}
	return leader
}

// stands waits until a node stands by.
func (n *nodes) stands(i int) {
	n.t.Helper()
	within(n.t, 2*time.Minute, n.name(i)+" stands by", func() bool {
		r, err := http.Get("http://" + n.web[i] + "/readyz")
		if err != nil {
			return false
		}
		defer r.Body.Close()
		b, _ := io.ReadAll(r.Body)
		return strings.Contains(string(b), " leads")
	})
}

func (n *nodes) part(i int, cut bool) {
	for j := range n.lines {
		if i != j {
			n.lines[i][j].Cut(cut)
			n.lines[j][i].Cut(cut)
		}
	}
}

// A dongle that turns to whichever node takes its reports, while the leader is killed, the leader is cut off, the leader is
// frozen, and every node is started anew: what was acknowledged is in the lake once, and the state is that of one
// machine on which nothing went wrong.
func TestThreeNodesEndAsOneDoes(t *testing.T) {
	roster := write(t, "roster.csv", "unit,vin,device\nU1,9ZZTEST74RA000123,dgl-1\n")
	data := filepath.Join(t.TempDir(), "d")
	must(t, "import", "--data", data, "--roster", roster)
	n := newNodes(t, data)
	if err := os.RemoveAll(filepath.Join(data, "broker")); err != nil {
		t.Fatal(err)
	}
	for i := range n.cmd {
		n.start(i)
	}
	ctx, cancel := context.WithCancel(t.Context())
	d := &dongle{turns: n.nats[:]}
	var sending sync.WaitGroup
	sending.Go(func() { d.run(ctx) })
	defer sending.Wait()
	defer cancel()

	longest := time.Duration(0)
	resumes := func(what string) {
		t.Helper()
		before, at := d.kept.Load(), time.Now()
		within(t, time.Minute, "reports are acknowledged again: "+what, func() bool { return d.kept.Load() > before+5 })
		longest = max(longest, time.Since(at))
		t.Logf("%s: 6 more reports acknowledged after %v", what, time.Since(at).Round(10*time.Millisecond))
	}
	first := n.led(-1)
	resumes("at the start")
	n.stands((first + 1) % 3)
	n.stands((first + 2) % 3)
	if _, errs, code := try(t, "serve", "--data", data, "--listen", free(t)); code == exitOK {
		t.Errorf("a service that is no node took the folder: %s", errs)
	}

	n.kill(first)
	resumes("the leader was killed")
	second := n.led(first)
	n.start(first)
	n.stands(first)

	n.part(second, true)
	resumes("the leader was cut off")
	third := n.led(second)
	n.part(second, false)
	n.stands(second)
	n.lives("the leader was cut off")

	n.cmd[third].Process.Signal(syscall.SIGSTOP)
	resumes("the leader was frozen")
	time.Sleep(7 * time.Second) // longer than the lease
	n.cmd[third].Process.Signal(syscall.SIGCONT)
	n.settled()
	n.lives("the leader was frozen")

	order := rand.New(rand.NewPCG(9, 9)).Perm(3)
	for _, i := range order {
		n.stop(i)
		n.start(i)
		resumes(n.name(i) + " was started anew")
		n.settled()
	}
	cancel()
	sending.Wait()
	t.Logf("%d reports acknowledged; the longest pause was %v", d.kept.Load(), longest.Round(10*time.Millisecond))

	kept := int(d.kept.Load())
	leader := n.settled()
	within(t, time.Minute, "all that was acknowledged is committed", func() bool {
		out, _, code := try(t, "sql", "--data", data, "-o", "json", fmt.Sprintf("select count(*) n from reports where cast(substr(report_id, 3) as integer) < %d", kept))
		var v []struct{ N int }
		return code == exitOK && json.Unmarshal([]byte(out), &v) == nil && len(v) == 1 && v[0].N == kept
	})
	for i := range n.cmd {
		if i != leader {
			n.stop(i)
		}
	}
	n.kill(leader) // two are gone: there is nobody to agree with
	os.Remove(filepath.Join(data, clusterMark))

	alone := filepath.Join(t.TempDir(), "alone")
	stored := int(one(t, data, "select count(*) from reports"))
	if stored != kept && stored != kept+1 { // the last one may have been sent and not acknowledged
		t.Fatalf("%d reports stored, %d acknowledged", stored, kept)
	}
	var b strings.Builder
	for i := range stored {
		b.WriteString(d.report(int64(i)) + "\n")
	}
	must(t, "import", "--data", alone, "--roster", roster, write(t, "reports.ndjson", b.String()))
	wantReadings, wantAlerts := history(t, alone)
	gotReadings, gotAlerts := history(t, data)
	same(t, "readings", wantReadings, gotReadings)
	same(t, "alerts", wantAlerts, gotAlerts)
	must(t, "lake", "verify", "--data", data)
}
