package people

import (
	"sync"
	"time"
)

// limit slows down wrong sign-ins. A rule counts under a key; beyond its free tries the next one waits, twice as long each
// time, up to a most. A quiet hour forgets.
type limit struct {
	mu   sync.Mutex
	seen map[string]tries
}

type tries struct {
	n    int
	last time.Time
}

type rule struct {
	free int
	most time.Duration
}

// Together a name and an address are slowed soon; an address, which may be a whole depot, later; a name by itself last and
// least, since anybody can try it.
var (
	pairRule    = rule{3, 15 * time.Minute}
	addressRule = rule{20, 15 * time.Minute}
	nameRule    = rule{50, time.Minute}
)

const (
	forgetAfter = time.Hour
	mostTries   = 50_000 // keys held; beyond, the oldest go
)

func newLimit() *limit { return &limit{seen: map[string]tries{}} }

func keysOf(name, address string) map[string]rule {
	return map[string]rule{"p\x00" + name + "\x00" + address: pairRule, "a\x00" + address: addressRule, "n\x00" + name: nameRule}
}

// delay is how long a rule makes the try after n wrong ones wait.
func (r rule) delay(n int) time.Duration {
	if n < r.free {
		return 0
	}
	if over := n - r.free; over < 20 {
		return min(time.Second<<over, r.most)
	}
	return r.most
}

// begin says how long the next try has to wait; 0 lets it through and counts it as wrong until done is called, so that
// many at once do not all pass.
func (l *limit) begin(name, address string, now time.Time) (wait time.Duration) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for k, rule := range keysOf(name, address) {
		t := l.seen[k]
		if now.Sub(t.last) > forgetAfter {
			continue
		}
		wait = max(wait, t.last.Add(rule.delay(t.n)).Sub(now))
	}
	if wait > 0 {
		return wait
	}
	if len(l.seen) > mostTries {
		l.sweep(now)
	}
	for k := range keysOf(name, address) {
		t := l.seen[k]
		if now.Sub(t.last) > forgetAfter {
			t.n = 0
		}
		l.seen[k] = tries{t.n + 1, now}
	}
	return 0
}

// done takes back what begin counted: the try was right. The pair is forgotten; the address and the name keep what others did.
func (l *limit) done(name, address string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for k, rule := range keysOf(name, address) {
		t := l.seen[k]
		t.n--
		if rule == pairRule || t.n <= 0 {
			delete(l.seen, k)
			continue
		}
		l.seen[k] = t
	}
}

// sweep makes room: what is forgotten goes, else the older half.
func (l *limit) sweep(now time.Time) {
	for _, age := range []time.Duration{forgetAfter, 10 * time.Minute, time.Minute} {
		for k, t := range l.seen {
			if now.Sub(t.last) > age {
				delete(l.seen, k)
			}
		}
		if len(l.seen) < mostTries/2 {
			return
		}
	}
	clear(l.seen)
}
