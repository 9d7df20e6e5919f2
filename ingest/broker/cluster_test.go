package broker

import (
	"context"
	"crypto/tls"
	"fmt"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"marginline/ingest/broker/cutline"
)

func unused(t testing.TB) string {
	t.Helper()
	addr, err := cutline.Unused()
	if err != nil {
		t.Fatal(err)
	}
	return addr
}

// trio is three nodes; links[i][j] is the way from node i to node j.
type trio struct {
	cfg   [3]Config
	nodes [3]*Broker
	links [3][3]*cutline.Line
}

func newTrio(t testing.TB, proof *tls.Config) *trio {
	t.Helper()
	c := &trio{}
	var addr [3]string
	for i := range addr {
		addr[i] = unused(t)
	}
	for i := range c.cfg {
		// Nodes tell each other of nodes. They tell of an address where nobody is, so that the lines are the only way.
		place := Cluster{Node: fmt.Sprintf("node-%c", 'a'+i), Listen: addr[i], Told: unused(t), TLS: proof}
		for j := range addr {
			if i != j {
				k, err := cutline.New(addr[j])
				if err != nil {
					t.Fatal(err)
				}
				t.Cleanup(k.Close)
				c.links[i][j] = k
				place.Routes = append(place.Routes, k.Addr())
			}
		}
		c.cfg[i] = Config{Dir: t.TempDir(), Listen: "127.0.0.1:0", Cluster: place}
	}
	var all sync.WaitGroup
	for i := range c.nodes {
		all.Go(func() { c.nodes[i] = open(t, c.cfg[i]) })
	}
	all.Wait()
	t.Cleanup(func() {
		for _, b := range c.nodes {
			if b != nil {
				closeIt(t, b)
			}
		}
	})
	return c
}

// part cuts one node off from the two others, or lets it back.
func (c *trio) part(node int, cut bool) {
	for other := range c.nodes {
		if other != node {
			c.links[node][other].Cut(cut)
			c.links[other][node].Cut(cut)
		}
	}
}

// insist tries again while the nodes agree anew who leads what.
func (c *trio) insist(t *testing.T, what string, try func() error) {
	t.Helper()
	for end := time.Now().Add(time.Minute); ; time.Sleep(200 * time.Millisecond) {
		err := try()
		if err == nil {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("%s: %v", what, err)
		}
	}
}

// holds reads the log on a node: reports 1 to n are there, in this order. One may be there twice: a batch whose
// answer was lost and that was sent again.
func (c *trio) holds(t *testing.T, node, n int) {
	t.Helper()
	var p *Puller
	c.insist(t, "the log is read", func() (err error) {
		p, err = c.nodes[node].Pull(t.Context(), 0)
		return err
	})
	seen := map[string]bool{}
	c.insist(t, "every report is there", func() error {
		msgs, err := p.Fetch(t.Context(), 500, time.Second)
		for _, m := range msgs {
			if s := string(m.Data); !seen[s] {
				seen[s] = true
				if want := fmt.Sprintf("report %d", len(seen)); s != want {
					t.Fatalf("%q stands where %q should", s, want)
				}
			}
		}
		if err == nil && len(seen) < n {
			err = fmt.Errorf("%d of %d", len(seen), n)
		}
		return err
	})
}

// lead asks for the lease on a node until ctx ends.
func (c *trio) lead(ctx context.Context, node int) (*Lease, error) {
	return c.nodes[node].Lead(ctx, c.cfg[node].Cluster, func(string) {})
}

// What one node acknowledged is on the others, one node at a time holds the lease, and a node that is cut off has
// given it up before another one gets it.
func TestClusterKeepsTheLogAndOneLease(t *testing.T) {
	c := newTrio(t, nil)
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	c.insist(t, "three nodes take reports", func() error {
		_, err := c.nodes[0].PublishBatch(ctx, outgoing(1, 300))
		return err
	})
	first, err := c.lead(ctx, 0)
	if err != nil {
		t.Fatal(err)
	}
	short, end := context.WithTimeout(ctx, 7*time.Second) // longer than the term, so it has been renewed
	leaders := []string{}
	if l, err := c.nodes[1].Lead(short, c.cfg[1].Cluster, func(s string) { leaders = append(leaders, s) }); err == nil {
		l.Release(ctx)
		t.Fatal("two nodes hold the lease")
	}
	end()
	if !slices.Equal(leaders, []string{"node-a"}) {
		t.Errorf("node-b was told of leaders %q", leaders)
	}

	c.part(0, true)
	var lostAt, wonAt time.Time
	var both sync.WaitGroup
	both.Go(func() { <-first.Lost(); lostAt = time.Now() })
	var second *Lease
	both.Go(func() {
		if second, err = c.lead(ctx, 1); err == nil {
			wonAt = time.Now()
		}
	})
	both.Wait()
	if err != nil {
		t.Fatal(err)
	}
	if !lostAt.Before(wonAt) {
		t.Errorf("the node that was cut off gave the lease up %v after another one had it", lostAt.Sub(wonAt))
	}
	c.insist(t, "two of three nodes take reports", func() error {
		_, err := c.nodes[1].PublishBatch(ctx, outgoing(301, 400))
		return err
	})
	c.holds(t, 2, 400)

	c.part(0, false)
	second.Release(ctx)
	third, err := c.lead(ctx, 0)
	if err != nil {
		t.Fatal("the node that came back:", err)
	}
	third.Release(ctx)
}

// A node that went away for good or for a while does not stop the others; a report is refused only while fewer
// than two are there.
func TestClusterOutlivesANode(t *testing.T) {
	c := newTrio(t, nil)
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	n := 0
	publish := func(through int) error {
		_, err := c.nodes[through].PublishBatch(ctx, outgoing(n+1, n+50))
		if err == nil {
			n += 50
		}
		return err
	}
	for round := range 3 {
		closeIt(t, c.nodes[round])
		c.nodes[round] = nil
		c.insist(t, "two nodes take reports", func() error { return publish((round + 1) % 3) })
		c.nodes[round] = open(t, c.cfg[round])
	}
	c.holds(t, 0, n)
}

// With certificates the nodes prove to each other who they are: a route of nobody, or of somebody whom another authority
// vouches for, is not taken.
func TestRoutesProveWhoTheyAre(t *testing.T) {
	pair, pool := certificate(t)
	with := func(pairs ...tls.Certificate) *tls.Config {
		return &tls.Config{Certificates: pairs, RootCAs: pool, ClientCAs: pool, ClientAuth: tls.RequireAndVerifyClientCert, ServerName: "127.0.0.1"}
	}
	c := newTrio(t, with(pair))
	c.insist(t, "three nodes take reports", func() error {
		_, err := c.nodes[0].PublishBatch(t.Context(), outgoing(1, 100))
		return err
	})
	c.holds(t, 2, 100)
	stranger, _ := certificate(t)
	for name, k := range map[string]struct {
		config *tls.Config
		taken  bool
	}{"a node": {with(pair), true}, "nobody": {with(), false}, "a stranger": {with(stranger), false}} {
		raw, err := net.Dial("tcp", c.cfg[0].Cluster.Listen)
		if err != nil {
			t.Fatal(err)
		}
		raw.SetDeadline(time.Now().Add(5 * time.Second))
		route := tls.Client(raw, k.config)
		_, err = route.Write([]byte("PING\r\n"))
		if err == nil {
			_, err = route.Read(make([]byte, 1))
		}
		if taken := err == nil; taken != k.taken {
			t.Errorf("the route of %s: %v", name, err)
		}
		raw.Close()
	}
}

// BenchmarkPublishToNodes is synced publishing in batches of a thousand, to a node alone and to three that keep a copy each.
func BenchmarkPublishToNodes(b *testing.B) {
	const batch = 1000
	batches := make([]Outgoing, batch)
	payload := []byte(strings.Repeat("x", 1500))
	run := func(b *testing.B, to *Broker) {
		n := 0
		for b.Loop() {
			for i := range batches {
				batches[i] = Outgoing{Device: fmt.Sprint("dgl-", i), Payload: payload}
			}
			if _, err := to.PublishBatch(b.Context(), batches); err != nil {
				b.Fatal(err)
			}
			n += batch
		}
		b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "reports/s")
	}
	b.Run("1", func(b *testing.B) { run(b, open(b, Config{Dir: b.TempDir()})) })
	b.Run("3", func(b *testing.B) { run(b, newTrio(b, nil).nodes[0]) })
}
