package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"marginline/ingest/broker"
	"marginline/ingest/enroll"
)

// Several machines. Each node runs a broker of its own, and the brokers keep the log together: what one has
// acknowledged outlives the loss of any one. One node at a time does everything else, on a data folder that the nodes
// share. Which one, the broker says, by a lease; the others stand by with their brokers at work.
//
// Two locks keep a second node out. The lease ends by itself when its holder is cut off from the other brokers, and the
// holder stops before that. The lock of the data folder is the file system's: a node that was frozen and does not know
// yet that its time is over still holds it, so nobody writes beside it. If both failed, a commit would: it makes a name
// that only one can make (lake).
//
// Rejected: a share of the vehicles for each node. A node takes in twenty times the readings a second that ten million
// vehicles send at their peak (deploy/sizing.md, deploy/several-machines.md), and shares would need their lakes and alert books put together for
// every question. Rejected: a lake on each node, each made from the log: history older than the log would be on one
// of them alone.

// clusterMark is the file that says that the nodes of a cluster share a data folder.
const clusterMark = "cluster"

// serveNode runs one node until ctx ends: its broker all the time, the stages while it leads.
func serveNode(ctx context.Context, cfg config, log *slog.Logger, ready func(ctx context.Context, a *app, addr string) error) (err error) {
	place, err := cfg.node()
	if err != nil {
		return err
	}
	log = log.With("node", place.Node)
	s := standby{node: place.Node, reg: prometheus.NewRegistry()}
	s.reg.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}), leads(0))
	cert := newCertificate(cfg, log)
	open, end, err := s.serve(cfg, cert)
	if err != nil {
		return err
	}
	defer func() { end() }()
	b, err := openBroker(ctx, cfg, enroll.OpenCopy(dongleCopy(cfg)), place, cert, log)
	if err != nil {
		if ctx.Err() != nil {
			return nil
		}
		return err
	}
	defer func() { err = errors.Join(err, b.Close()) }()
	log.Info("standing by", "address", open)
	for ctx.Err() == nil {
		lease, err := b.Lead(ctx, place, s.tell)
		if err != nil { // ctx has ended
			return nil
		}
		log.Info("leading")
		err = lead(ctx, cfg, log, cert, b, lease, end, ready)
		lease.Release(context.WithoutCancel(ctx))
		if err != nil {
			return err
		}
		s.tell("")
		if ctx.Err() == nil {
			log.Warn("no longer leading: the lease was not confirmed in time")
			end() // it may not have got as far as the pages
			if _, end, err = s.serve(cfg, cert); err != nil {
				return err
			}
		}
	}
	return nil
}

// lead runs the stages while the lease lasts; it calls free when it needs the address of the pages.
func lead(ctx context.Context, cfg config, log *slog.Logger, cert *certificate, b *broker.Broker, lease *broker.Lease, free func(), ready func(ctx context.Context, a *app, addr string) error) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	go func() {
		select {
		case <-lease.Lost():
			stop()
		case <-ctx.Done():
		}
	}()
	a, err := openNode(ctx, cfg, log, cert, b)
	for told := false; errors.Is(err, errOwned); a, err = openNode(ctx, cfg, log, cert, b) { // the node that led is still closing
		if !told {
			log.Warn("the data folder is still locked; waiting", "data", cfg.Data)
			told = true
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(100 * time.Millisecond):
		}
	}
	if err != nil {
		if ctx.Err() != nil {
			return nil
		}
		return err
	}
	free()
	return errors.Join(a.onWeb(ctx, ready), a.close())
}

func leads(v float64) prometheus.Collector {
	g := prometheus.NewGauge(prometheus.GaugeOpts{Name: "marginline_node_leads", Help: "1 on the node that commits, 0 on one that stands by."})
	g.Set(v)
	return g
}

// markCluster says in the data folder that it is shared, or refuses a folder that is. It also refuses a folder with a log
// beside which the settings name another one: reports that only the first one has would never be read.
func markCluster(cfg config) error {
	if old := filepath.Join(cfg.Data, "broker"); cfg.Broker.Dir != "" && filepath.Clean(cfg.Broker.Dir) != filepath.Clean(old) {
		if _, err := os.Stat(old); err == nil {
			return fmt.Errorf("%s holds a log, and broker.dir is %s: move the log there, or remove it when nothing in it waits", old, cfg.Broker.Dir)
		}
	}
	path := filepath.Join(cfg.Data, clusterMark)
	if cfg.clustered() {
		return os.WriteFile(path, []byte("The nodes of a cluster share this folder.\n"), 0o640)
	}
	if _, err := os.Stat(path); err == nil {
		return fmt.Errorf("%s is shared by the nodes of a cluster, and its log is with them: ask on the node that leads, or set cluster.node; if there is no cluster any more, remove %s", cfg.Data, path)
	}
	return nil
}

// A standby answers for a node that does not lead.
type standby struct {
	node   string
	leader atomic.Pointer[string]
	reg    *prometheus.Registry
}

func (s *standby) tell(leader string) { s.leader.Store(&leader) }

// state says in words what the node waits for.
func (s *standby) state() string {
	l := s.leader.Load()
	switch {
	case l == nil:
		return fmt.Sprintf("Node %s waits for the other nodes.", s.node)
	case *l == "":
		return fmt.Sprintf("Node %s stands by; no node leads at the moment.", s.node)
	}
	return fmt.Sprintf("Node %s stands by; node %s leads. Its pages are there.", s.node, *l)
}

// serve answers at the address of the pages until end is called, which waits; end may be called twice.
func (s *standby) serve(cfg config, cert *certificate) (at string, end func(), err error) {
	l, scheme, err := listenWeb(cfg, cert)
	if err != nil {
		return "", nil, fmt.Errorf("pages: %w%s", err, hintInUse(err, cfg.Web.Listen))
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /livez", func(w http.ResponseWriter, _ *http.Request) { fmt.Fprintln(w, "ok") })
	mux.Handle("GET /metrics", promhttp.HandlerFor(s.reg, promhttp.HandlerOpts{}))
	mux.HandleFunc("/", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Retry-After", "5")
		w.Header().Set("Cache-Control", "no-store")
		http.Error(w, s.state(), http.StatusServiceUnavailable)
	})
	srv := &http.Server{Handler: mux, ReadHeaderTimeout: 10 * time.Second, MaxHeaderBytes: 64 << 10}
	done := make(chan struct{})
	go func() { defer close(done); srv.Serve(l) }()
	return scheme + "://" + l.Addr().String(), func() { srv.Close(); <-done }, nil
}
