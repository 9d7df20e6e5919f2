package broker

import (
	"crypto/rand"
	"crypto/subtle"
	"crypto/tls"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// A Pass is what a dongle that signed in may use.
type Pass struct {
	Device string
	Inbox  string // prefix of the subjects of its answers on NATS
	Key    string // names the credential
}

// A Register says who a dongle is. Its methods are called by many connections at a time.
type Register interface {
	Required() bool // nobody is served without a credential
	NATS(nkey string, nonce []byte, signature string) (Pass, error)
	MQTT(user, password string) (Pass, error)
	Live(key string) bool // the credential has not ended
}

// dongles is the account of dongles on NATS. It has no JetStream: they reach the log through one imported subject, so
// that the address that a publish names for its answer means nothing in the account of the streams.
const dongles = "DONGLES"

const ownUser = "marginline"

// A gate decides about every connection of the embedded server.
type gate struct {
	register Register
	secret   string // of this process's own connection
	log      *slog.Logger
	account  *server.Account // of dongles on NATS
	flood    flood

	mu    sync.Mutex
	own   map[uint64]bool
	live  map[uint64]*visitor
	holds map[string]*hold
	turns map[string]uint64 // refused or closed connections, by reason
}

// A visitor is a connection of a dongle.
type visitor struct {
	device string // "" = nobody asked
	key    string // of its credential
	mqtt   bool
	msgs   float64 // budgets, see flood.go
	bytes  float64
	seen   counters
	at     time.Time
}

// counters are the server's of a connection, when it was last looked at.
type counters struct{ in, out, bytes int64 }

// A hold keeps a dongle out for a while.
type hold struct {
	until  time.Time
	next   time.Duration
	reason string
}

func newGate(register Register, log *slog.Logger) *gate {
	return &gate{register: register, secret: rand.Text(), log: log, flood: defaultFlood,
		own: map[uint64]bool{}, live: map[uint64]*visitor{}, holds: map[string]*hold{}, turns: map[string]uint64{}}
}

func (g *gate) required() bool { return g.register != nil && g.register.Required() }

// Check is asked by the server for each connection. The connection of MQTT has no nonce: it cannot sign one.
func (g *gate) Check(c server.ClientAuthentication) bool {
	if c.Kind() != server.CLIENT {
		return false
	}
	o := c.GetOpts()
	mqtt := len(c.GetNonce()) == 0
	if !mqtt && o.Username == ownUser && subtle.ConstantTimeCompare([]byte(o.Password), []byte(g.secret)) == 1 {
		g.mu.Lock()
		defer g.mu.Unlock()
		g.own[c.GetID()] = true
		return true
	}
	if !g.required() {
		g.enter(c.GetID(), &visitor{mqtt: mqtt})
		return true
	}
	var pass Pass
	var err error
	if mqtt {
		pass, err = g.register.MQTT(o.Username, o.Password)
	} else {
		pass, err = g.register.NATS(o.Nkey, c.GetNonce(), o.Sig)
	}
	if err != nil {
		g.turnAway("credential", "remote", c.RemoteAddress(), "err", err)
		return false
	}
	if until, reason, held := g.held(pass.Device); held {
		g.turnAway("held", "device", pass.Device, "reason", reason, "until", until)
		return false
	}
	user := &server.User{Username: pass.Device, Permissions: &server.Permissions{
		Publish: &server.SubjectPermission{Allow: []string{ReportSubject + pass.Device}},
	}}
	if mqtt {
		user.Permissions.Subscribe = &server.SubjectPermission{Allow: []string{ReceiptSubject + pass.Device}}
	} else {
		user.Permissions.Subscribe = &server.SubjectPermission{Allow: []string{pass.Inbox + ".>"}}
		user.Account = g.account
	}
	c.RegisterUser(user)
	g.enter(c.GetID(), &visitor{device: pass.Device, key: pass.Key, mqtt: mqtt})
	return true
}

func (g *gate) enter(id uint64, v *visitor) {
	v.at, v.msgs, v.bytes = time.Now(), g.flood.burst, g.flood.burstBytes
	if v.mqtt {
		v.msgs = g.flood.burstMQTT
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	g.live[id] = v
}

func (g *gate) held(device string) (until time.Time, reason string, held bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	h := g.holds[device]
	if h == nil || time.Now().After(h.until) {
		return until, "", false
	}
	return h.until, h.reason, true
}

func (g *gate) turnAway(reason string, args ...any) {
	g.mu.Lock()
	g.turns[reason]++
	g.mu.Unlock()
	g.log.Warn("a connection was refused", append([]any{"cause", reason}, args...)...)
}

// Disconnect closes the connections of a dongle: after its credential was ended. With device "" it closes those
// that came in before anybody had to sign in.
func (b *Broker) Disconnect(device string) {
	if b.gate == nil {
		return
	}
	b.gate.mu.Lock()
	var ids []uint64
	for id, v := range b.gate.live {
		if v.device == device {
			ids = append(ids, id)
		}
	}
	b.gate.mu.Unlock()
	for _, id := range ids {
		b.server.DisconnectClientByID(id) // one that has gone is gone
	}
}

// Reasons are why a connection of a dongle is refused or closed.
func Reasons() []string {
	return []string{"credential", "held", "ended", "flood", "bytes", "subscriptions", "client_id"}
}

// Turned says how many connections of dongles were refused or closed, by reason.
func (b *Broker) Turned() map[string]uint64 {
	out := map[string]uint64{}
	if b.gate == nil {
		return out
	}
	b.gate.mu.Lock()
	defer b.gate.mu.Unlock()
	for k, n := range b.gate.turns {
		out[k] = n
	}
	return out
}

// open lets dongles in: what of the log they reach.
func (g *gate) open(s *server.Server) error {
	var err error
	if g.account, err = s.RegisterAccount(dongles); err != nil {
		return fmt.Errorf("broker: account of dongles: %w", err)
	}
	if err = s.GlobalAccount().AddServiceExport(ReportSubject+"*", nil); err == nil {
		err = g.account.AddServiceImport(s.GlobalAccount(), ReportSubject+"*", ReportSubject+"*")
	}
	if err != nil {
		return fmt.Errorf("broker: account of dongles: %w", err)
	}
	return nil
}

// secure is a copy of the TLS settings without what is the web's.
func secure(c *tls.Config) *tls.Config {
	if c == nil {
		return nil
	}
	c = c.Clone()
	c.NextProtos = nil
	return c
}
