package broker

import (
	"context"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// A dongle that floods is disconnected and held: it is refused for a minute, twice as long each time it comes back
// and floods again, up to an hour. What tells a flood is what a connection sends and does not wait for: an honest dongle has
// a few reports without an answer, and may catch up after weeks as fast as the answers come. So each connection has
// a budget of unanswered messages, and one of bytes, that fill up at a steady rate. MQTT's PUBACKs are not in the server's
// counts, so its budget is larger and counts all.
//
// The server's counters are looked at twice a second, more rarely where a look at all connections takes over 25 ms, so a flood lasts that long at most. What it filled meanwhile is the
// queue before the stream, which is bounded (queued): a publish of another dongle that finds it full is answered with an
// error, or not at all, and comes again. With a sync a message the queue is empty after some seconds.
//
// Rejected: a proxy before the server that slows each connection down: it would hide addresses, end TLS, and count bytes
// where messages cost. Rejected: one budget for the fleet: the honest would pay for the flood.
type flood struct {
	rate, burst, burstMQTT float64 // messages a second; messages
	rateBytes, burstBytes  float64 // bytes a second; bytes
	subs                   uint32  // subscriptions of one connection
	look                   time.Duration
}

var defaultFlood = flood{rate: 100, burst: 500, burstMQTT: 5000, rateBytes: 4 << 20, burstBytes: 256 << 20, subs: 32, look: 500 * time.Millisecond}

// queued is how many messages wait before the stream at most: four atomic batches of this service.
const queued = 4 * maxBatch

// ended is the reason that is nobody's fault.
const ended = "ended"

const (
	holdMin = time.Minute
	holdMax = time.Hour
)

// watch looks at the connections until ctx ends.
func (g *gate) watch(ctx context.Context, s *server.Server) {
	next := time.NewTimer(g.flood.look)
	defer next.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-next.C:
		}
		began := time.Now()
		for id, reason := range g.faults(s) {
			g.expel(s, id, reason)
		}
		next.Reset(g.flood.pause(time.Since(began)))
	}
}

// lookShare is the part of a processor that looking may take. With so many connections that a look takes long, looks are farther
// apart: budgets are by time, so only the end of a flood comes later.
const lookShare = 0.05

// pause is how long to wait after a look that took so long.
func (f *flood) pause(took time.Duration) time.Duration {
	return max(f.look, time.Duration(float64(took)*(1/lookShare-1)))
}

// faults brings the budgets up to date and gives the connections that have to go.
func (g *gate) faults(s *server.Server) map[uint64]string {
	conns, err := s.Connz(&server.ConnzOptions{Limit: 1 << 20})
	if err != nil {
		g.log.Warn("connections cannot be looked at", "err", err)
		return nil
	}
	now := time.Now()
	g.mu.Lock()
	defer g.mu.Unlock()
	out := map[uint64]string{}
	there := make(map[uint64]bool, len(conns.Conns))
	for _, c := range conns.Conns {
		there[c.Cid] = true
		v := g.live[c.Cid]
		if v == nil {
			continue
		}
		switch reason := g.flood.judge(v, c, now); {
		case v.device == "":
		case !g.register.Live(v.key):
			out[c.Cid] = ended
		case reason != "":
			out[c.Cid] = reason
		}
	}
	for id, v := range g.live {
		if !there[id] && now.Sub(v.at) > time.Minute {
			delete(g.live, id)
		}
	}
	return out
}

func (f *flood) judge(v *visitor, c *server.ConnInfo, now time.Time) string {
	gone := now.Sub(v.at).Seconds()
	v.at = now
	burst, unanswered := f.burst, c.InMsgs-v.seen.in-(c.OutMsgs-v.seen.out)
	if v.mqtt {
		burst, unanswered = f.burstMQTT, c.InMsgs-v.seen.in
	}
	v.msgs = min(v.msgs+gone*f.rate-float64(unanswered), burst)
	v.bytes = min(v.bytes+gone*f.rateBytes-float64(c.InBytes-v.seen.bytes), f.burstBytes)
	v.seen = counters{c.InMsgs, c.OutMsgs, c.InBytes}
	switch {
	case v.msgs < 0:
		return "flood"
	case v.bytes < 0:
		return "bytes"
	case c.NumSubs > f.subs:
		return "subscriptions"
	case v.mqtt && v.device != "" && c.MQTTClient != "" && c.MQTTClient != v.device:
		return "client_id"
	}
	return ""
}

func (g *gate) expel(s *server.Server, id uint64, reason string) {
	g.mu.Lock()
	v := g.live[id]
	if v == nil {
		g.mu.Unlock()
		return
	}
	delete(g.live, id)
	g.turns[reason]++
	if reason == ended { // its new credential may come at once
		g.mu.Unlock()
		g.log.Info("a dongle was disconnected: its credential has ended", "device", v.device)
		s.DisconnectClientByID(id)
		return
	}
	h := g.holds[v.device]
	if h == nil || time.Since(h.until) > holdMax {
		h = &hold{next: holdMin}
		g.holds[v.device] = h
	}
	h.until, h.reason, h.next = time.Now().Add(h.next), reason, min(2*h.next, holdMax)
	until := h.until
	g.mu.Unlock()
	g.log.Warn("a dongle was disconnected and is held", "device", v.device, "cause", reason, "until", until)
	s.DisconnectClientByID(id)
}
