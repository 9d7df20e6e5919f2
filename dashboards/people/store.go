package people

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// Errors of the register; match them with errors.Is.
var (
	ErrInput    = errors.New("not taken")
	ErrNotFound = errors.New("not found")
	ErrDenied   = errors.New("name or password is not right")
	ErrBusy     = errors.New("too many people sign in at this moment")
)

// Config is how long sessions last.
type Config struct {
	Idle    time.Duration // without use
	Longest time.Duration // in any case
}

// DefaultConfig is a working day without use and a week in all. NIST SP 800-63B-4 asks for 30 days at most
// at its first level of assurance (from memory); a shop's phone is shared more often than that.
func DefaultConfig() Config { return Config{Idle: 12 * time.Hour, Longest: 7 * 24 * time.Hour} }

// Validate says what is wrong.
func (c Config) Validate() error {
	if c.Idle < time.Minute || c.Longest < c.Idle || c.Longest > 30*24*time.Hour {
		return fmt.Errorf("idle %v and longest %v: at least 1m without use, not more than the longest time, and that at most 720h", c.Idle, c.Longest)
	}
	return nil
}

// A digest is the SHA-256 of a secret that is random itself.
type digest [sha256.Size]byte

func digestOf(secret string) digest { return sha256.Sum256([]byte(secret)) }

func (d digest) String() string { return hex.EncodeToString(d[:]) }

// A Register is everybody who may use the service.
type Register struct {
	cfg     Config
	db      *sql.DB
	log     *slog.Logger
	now     func() time.Time
	hashing hashing
	limit   *limit
	signIns *prometheus.CounterVec

	change   sync.Mutex   // held for the length of a change
	mu       sync.RWMutex // guards what follows
	people   map[string]*Person
	sessions map[digest]*session
	keys     map[string]*Key // by id
	outside  bool            // people come from a provider, whoever is listed here
}

// Times are text, RFC 3339 in UTC; a body is JSON.
var tables = []string{
	`create table if not exists people (
		name text not null primary key,
		password text not null,          -- argon2id in PHC form; '' where somebody else vouches
		identity text not null,          -- issuer and subject of OpenID Connect, or ''
		body text not null
	)`,
	`create unique index if not exists people_identity on people (identity) where identity <> ''`,
	`create table if not exists people_sessions (
		digest text not null primary key, -- SHA-256 of the token
		name text not null,
		made_at text not null,
		seen_at text not null
	)`,
	`create table if not exists people_keys (
		id text not null primary key,
		digest text not null,            -- SHA-256 of the key
		body text not null,
		used_at text not null default ''
	)`,
	`create table if not exists changes (
		seq integer not null primary key,
		at text not null,
		who text not null,
		what text not null,
		about text not null,
		detail text not null
	)`,
	`create trigger if not exists changes_kept before update on changes begin select raise(abort, 'the history takes new rows only'); end`,
	`create trigger if not exists changes_whole before delete on changes begin select raise(abort, 'the history takes new rows only'); end`,
}

// Open makes the tables where they are missing and reads them. The database stays the caller's; reg may be nil.
func Open(ctx context.Context, db *sql.DB, cfg Config, log *slog.Logger, reg prometheus.Registerer) (*Register, error) {
	if err := cfg.Validate(); err != nil {
		return nil, fmt.Errorf("people: %w", err)
	}
	r := &Register{cfg: cfg, db: db, log: log, now: time.Now, hashing: make(hashing, 2), limit: newLimit(),
		people: map[string]*Person{}, sessions: map[digest]*session{}, keys: map[string]*Key{},
		signIns: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "marginline_sign_ins_total", Help: "Sign-ins that were asked for, by what became of them."}, []string{"result"})}
	for _, result := range []string{"done", "refused", "slowed"} {
		r.signIns.WithLabelValues(result)
	}
	for _, t := range tables {
		if _, err := db.ExecContext(ctx, t); err != nil {
			return nil, fmt.Errorf("people: %w", err)
		}
	}
	if err := r.load(ctx); err != nil {
		return nil, fmt.Errorf("people: %w", err)
	}
	if reg != nil {
		if err := reg.Register(r.signIns); err != nil {
			return nil, fmt.Errorf("people: metrics: %w", err)
		}
	}
	return r, nil
}

// SetClock replaces the clock. Call it before the register is used.
func (r *Register) SetClock(now func() time.Time) { r.now = now }

// TrustProvider says that people come from a provider of OpenID Connect, so that a sign-in is asked for though nobody is listed.
func (r *Register) TrustProvider() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.outside = true
}

// Required says whether a sign-in is asked for: as soon as anybody is listed, or a provider is set.
func (r *Register) Required() bool {
	r.mu.RLock()
	defer r.mu.RUnlock()
	return r.outside || len(r.people) > 0
}

// Governed says whether somebody can administer the service: what it needs to be reached from other machines.
func (r *Register) Governed() bool {
	r.mu.RLock()
	defer r.mu.RUnlock()
	return r.outside || r.administrators("") > 0
}

// administrators counts those who can act, except one. The caller holds mu.
func (r *Register) administrators(except string) (n int) {
	for _, p := range r.people {
		if p.Role == Administrator && !p.Disabled && p.Name != except {
			n++
		}
	}
	return n
}

func (r *Register) load(ctx context.Context) error {
	read := func(query string, to func(scan func(...any) error) error) error {
		rows, err := r.db.QueryContext(ctx, query)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			if err := to(rows.Scan); err != nil {
				return err
			}
		}
		return rows.Err()
	}
	return errors.Join(
		read(`select name, password, identity, body from people`, func(scan func(...any) error) error {
			p, body := &Person{}, ""
			if err := scan(&p.Name, &p.password, &p.identity, &body); err != nil {
				return err
			}
			if err := json.Unmarshal([]byte(body), p); err != nil {
				return err
			}
			p.Outside = p.identity != ""
			r.people[p.Name] = p
			return nil
		}),
		read(`select digest, name, made_at, seen_at from people_sessions`, func(scan func(...any) error) error {
			s, d, made, seen := &session{}, "", "", ""
			if err := scan(&d, &s.name, &made, &seen); err != nil {
				return err
			}
			var err error
			if s.digest, err = parseDigest(d); err != nil {
				return err
			}
			if s.made, err = time.Parse(time.RFC3339Nano, made); err != nil {
				return err
			}
			if s.seen, err = time.Parse(time.RFC3339Nano, seen); err != nil {
				return err
			}
			s.written = s.seen
			r.sessions[s.digest] = s
			return nil
		}),
		read(`select id, digest, body, used_at from people_keys`, func(scan func(...any) error) error {
			k, d, body, used := &Key{}, "", "", ""
			if err := scan(&k.ID, &d, &body, &used); err != nil {
				return err
			}
			var err error
			if used != "" {
				if k.LastUsed, err = time.Parse(time.RFC3339Nano, used); err != nil {
					return err
				}
			}
			if k.digest, err = parseDigest(d); err != nil {
				return err
			}
			if err := json.Unmarshal([]byte(body), k); err != nil {
				return err
			}
			r.keys[k.ID] = k
			return nil
		}))
}

func parseDigest(s string) (d digest, err error) {
	b, err := hex.DecodeString(s)
	if err != nil || len(b) != len(d) {
		return d, fmt.Errorf("stored digest %q cannot be read", s)
	}
	copy(d[:], b)
	return d, nil
}

// write runs f in one transaction: all of it or nothing.
func (r *Register) write(ctx context.Context, f func(tx *sql.Tx) error) error {
	tx, err := r.db.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("people: %w", err)
	}
	if err := f(tx); err != nil {
		return fmt.Errorf("people: %w", errors.Join(err, tx.Rollback()))
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("people: %w", err)
	}
	return nil
}

func stamp(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }
