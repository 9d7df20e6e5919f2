package dashboards

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"sync"
	"time"

	"marginline/dashboards/people"
)

// hub tells open pages that something changed. Changes are collected and sent at most once a second; a
// client that does not keep up is dropped: its browser connects again and reads the page anew, which is
// cheaper than a queue without end.
type hub struct {
	mu      sync.Mutex
	units   map[string]bool // changed since the last flush; "" is the fleet as a whole
	clients map[chan string]bool
	closed  bool
	wake    chan struct{}
	pace    time.Duration // between two flushes at least
}

const (
	hubPace    = time.Second
	hubBacklog = 4
)

func newHub() *hub {
	return &hub{units: map[string]bool{}, clients: map[chan string]bool{}, wake: make(chan struct{}, 1), pace: hubPace}
}

// changed notes that pages about the units are out of date. It never blocks.
func (h *hub) changed(units ...string) {
	h.mu.Lock()
	for _, u := range units {
		h.units[u] = true
	}
	h.mu.Unlock()
	select {
	case h.wake <- struct{}{}:
	default:
	}
}

// run sends collected changes until ctx ends, then ends every stream.
func (h *hub) run(ctx context.Context) {
	defer func() {
		h.mu.Lock()
		defer h.mu.Unlock()
		h.closed = true
		for c := range h.clients {
			close(c)
			delete(h.clients, c)
		}
	}()
	pace := time.NewTicker(h.pace)
	defer pace.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-h.wake:
		}
		h.flush()
		select {
		case <-ctx.Done():
			return
		case <-pace.C:
		}
	}
}

func (h *hub) flush() {
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.units) == 0 {
		return
	}
	names := make([]string, 0, len(h.units))
	for u := range h.units {
		names = append(names, u)
	}
	slices.Sort(names)
	clear(h.units)
	text := "event: changed\ndata: " + asJSON(names) + "\n\n"
	for c := range h.clients {
		select {
		case c <- text:
		default:
			close(c)
			delete(h.clients, c)
		}
	}
}

// join adds a client; ok is false once the hub has ended.
func (h *hub) join() (c chan string, ok bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed {
		return nil, false
	}
	c = make(chan string, hubBacklog)
	h.clients[c] = true
	return c, true
}

func (h *hub) leave(c chan string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	delete(h.clients, c)
}

// events streams changes to one page (Server-Sent Events, WHATWG HTML section 9.2). The server's write
// deadline is for whole answers; here each write has its own.
func (s *Server) events(w http.ResponseWriter, r *http.Request) {
	c, ok := s.hub.join()
	if !ok {
		http.Error(w, "The service is stopping.", http.StatusServiceUnavailable)
		return
	}
	defer s.hub.leave(c)
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no")
	out := http.NewResponseController(w)
	send := func(text string) bool {
		out.SetWriteDeadline(time.Now().Add(10 * time.Second))
		_, err := fmt.Fprint(w, text)
		return err == nil && out.Flush() == nil
	}
	beat := time.NewTicker(s.cfg.Heartbeat)
	defer beat.Stop()
	// A stream that ended may have missed changes: the page reads itself anew at each welcome but its first.
	me := people.From(r.Context())
	for text, open := "retry: 3000\nevent: welcome\ndata: {}\n\n", true; open && send(text); {
		select {
		case <-r.Context().Done():
			return
		case text, open = <-c:
			if open && me.Bound() { // which units changed is for those who may see them
				text = "event: changed\ndata: [\"\"]\n\n"
			}
		case <-beat.C:
			if me != nil && !s.caller(r).Known() { // the session ended meanwhile
				return
			}
			text = "event: beat\ndata: {}\n\n"
		}
	}
}
