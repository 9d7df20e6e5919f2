package dashboards

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"slices"
	"sync"
	"time"

	"marginline/alerts"
	"marginline/alerts/api"
)

// A Server answers for the pages.
type Server struct {
	cfg    Config
	deps   Deps
	log    *slog.Logger
	pages  pages
	assets *assets
	traces *traces
	zones  *zones
	others *others
	reader reader // whom this site is for
	hub    *hub
	trial  *sync.Mutex // held while settings are tried on history
	routed *routed     // the routes that were registered
	routes http.Handler
}

// New checks the settings and reads the embedded pages. It starts nothing.
func New(cfg Config, deps Deps, log *slog.Logger) (*Server, error) {
	if err := cfg.Validate(); err != nil {
		return nil, err
	}
	if deps.Book == nil || deps.Series == nil || deps.Roster == nil || deps.Now == nil {
		return nil, errors.New("dashboards: Book, Series, Roster and Now are needed")
	}
	if deps.Desk == nil {
		deps.Desk = func(context.Context) *alerts.Desk { return &alerts.Desk{Now: deps.Now()} }
	}
	s := &Server{cfg: cfg, deps: deps, log: log, hub: newHub(), zones: &zones{}, others: &others{}, trial: &sync.Mutex{}, routed: &routed{}, traces: newTraces(deps.Series, cfg.Units)}
	var err error
	if s.assets, err = loadAssets(pageFiles, subFS(bundleFiles, "web/dist")); err != nil {
		return nil, err
	}
	if s.pages, err = loadPages(pageFiles, s); err != nil {
		return nil, err
	}
	if !s.assets.bundle {
		log.Warn("UI bundle not built: run make web. Pages read and print, without live updates and zoom")
	}
	s.routes = s.secure(http.NewCrossOriginProtection().Handler(s.identify(s.choosing(s.mux()))))
	if len(s.routed.unlisted) > 0 {
		return nil, fmt.Errorf("dashboards: access.go does not say who may use %q", s.routed.unlisted)
	}
	return s, nil
}

// Routes are the patterns of all routes that are served.
func (s *Server) Routes() []string { return slices.Clone(s.routed.all) }

// routed are the patterns of the routes, and those that access.go does not list.
type routed struct{ all, unlisted []string }

// Handler is the whole site.
func (s *Server) Handler() http.Handler { return s.routes }

// Changed says that what is shown of the units is out of date: open pages read themselves again, and kept
// courses are forgotten, since a late report changes them without being the newest. No unit means the
// fleet as a whole. It never blocks and may be called from any goroutine.
func (s *Server) Changed(units ...string) {
	s.traces.forget(units)
	if len(units) == 0 {
		units = []string{""}
	}
	s.hub.changed(units...)
}

// server is the web server with its bounds: who is slow, or sends a large head, is cut off.
func (s *Server) server() *http.Server {
	return &http.Server{
		Handler:           s.routes,
		ReadHeaderTimeout: 10 * time.Second,
		ReadTimeout:       30 * time.Second,
		WriteTimeout:      60 * time.Second,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    64 << 10,
		ErrorLog:          slog.NewLogLogger(s.log.Handler(), slog.LevelWarn),
	}
}

// Run serves on l until ctx ends, then lets requests under way finish for at most ten seconds.
func (s *Server) Run(ctx context.Context, l net.Listener) error {
	srv := s.server()
	hubCtx, endHub := context.WithCancel(ctx)
	hubDone := make(chan struct{})
	go func() {
		defer close(hubDone)
		s.hub.run(hubCtx)
	}()
	served := make(chan error, 1)
	go func() { served <- srv.Serve(l) }()
	var err error
	select {
	case err = <-served:
		endHub()
	case <-ctx.Done():
		endHub() // event streams never end by themselves: end them before waiting for requests
		stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
		defer cancel()
		err = srv.Shutdown(stop)
		if err != nil {
			err = errors.Join(err, srv.Close())
		}
		<-served
	}
	<-hubDone
	if err != nil && !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("web server on %s: %w", l.Addr(), err)
	}
	return nil
}

func (s *Server) mux() *http.ServeMux {
	m := http.NewServeMux()
	handle := func(pattern string, h http.Handler) { m.Handle(pattern, s.guard(pattern, h)) }
	page := func(pattern string, h func(http.ResponseWriter, *http.Request) error) {
		handle(pattern, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if err := h(w, r); err != nil {
				s.writeError(w, r, err)
			}
		}))
	}
	page("GET /{$}", s.today)
	page("GET /units", s.units)
	page("GET /units/{unit}", s.unit)
	page("GET /series/{unit}/{ecu}/{test}", s.series)
	page("GET /series/{unit}/{ecu}/{test}/points.json", s.points)
	page("GET /series/{unit}/{ecu}/{test}/peers.json", s.peersFile)
	page("GET /series/{unit}/{ecu}/{test}/readings.csv", s.readings)
	page("GET /alerts", s.alerts)
	s.desk(page)
	s.sqlRoutes(page)
	s.fileRoutes(page)
	s.deliveryRoutes(page)
	page("GET /fleet", s.fleet)
	page("GET /settings", s.settings)
	page("GET /quarantine", s.quarantine)
	page("GET /quarantine/{id}", s.quarantined)
	page("POST /quarantine/replay", s.replay)
	page("POST /view", s.choose)
	page("GET /find", s.find)
	page("GET /help", s.help)
	page("GET /", func(http.ResponseWriter, *http.Request) error { return errNoPage })
	s.peopleRoutes(page)
	handle("GET /events", http.HandlerFunc(s.events))
	handle("GET /static/", s.assets)
	handle("GET /sw.js", http.HandlerFunc(s.assets.worker))
	handle("GET /livez", http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { fmt.Fprintln(w, "ok") }))
	handle("GET /readyz", http.HandlerFunc(s.ready))
	if s.deps.API != nil {
		for _, pattern := range api.Routes() {
			handle(pattern, s.deps.API)
		}
	}
	if s.deps.Metrics != nil {
		handle("GET /metrics", s.deps.Metrics)
	}
	return m
}

func (s *Server) ready(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Cache-Control", "no-store")
	if s.deps.Health != nil {
		if err := s.deps.Health.Ready(r.Context()); err != nil {
			http.Error(w, "not ready: "+err.Error(), http.StatusServiceUnavailable)
			return
		}
	}
	fmt.Fprintln(w, "ready")
}
