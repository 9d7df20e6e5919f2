package enroll

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"database/sql"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"regexp"
	"sync"
	"time"

	"github.com/nats-io/nkeys"
)

// Errors of a Register; test with errors.Is.
var (
	ErrKnown   = errors.New("is enrolled already; rotate its credential instead")
	ErrUnknown = errors.New("is not enrolled")
	ErrInput   = errors.New("is not possible")
	ErrRefused = errors.New("refused")
)

// device is the contract's form of a device name.
var device = regexp.MustCompile(`^[A-Za-z0-9_-]{1,64}$`)

const schema = `
create table if not exists dongle_credential (
	nkey text primary key, device text not null, inbox text not null, password_sha256 text not null,
	issued_at text not null, ends_at text);
create table if not exists dongle_history (
	id integer primary key autoincrement, at text not null, device text not null, what text not null, who text not null, detail text not null);
create trigger if not exists dongle_history_stays before delete on dongle_history begin select raise(abort, 'the history of dongles only grows'); end;
create trigger if not exists dongle_history_holds before update on dongle_history begin select raise(abort, 'the history of dongles only grows'); end;`

// A credential as it is kept.
type credential struct {
	nkey, device, inbox string
	password            [sha256.Size]byte
	issued              time.Time
	ends                time.Time // zero: not
}

func (c *credential) valid(now time.Time) bool { return c.ends.IsZero() || now.Before(c.ends) }

// A Register is the list of dongles. It is safe for concurrent use.
type Register struct {
	db  *sql.DB
	now func() time.Time

	change  sync.Mutex // held by one change at a time
	mu      sync.Mutex
	byKey   map[string]*credential
	devices map[string][]*credential // the newest last
}

// Open reads the list from a database, which stays the caller's.
func Open(ctx context.Context, db *sql.DB) (*Register, error) {
	r := empty()
	r.db = db
	if _, err := db.ExecContext(ctx, schema); err != nil {
		return nil, fmt.Errorf("enroll: %w", err)
	}
	rows, err := db.QueryContext(ctx, "select nkey, device, inbox, password_sha256, issued_at, coalesce(ends_at, '') from dongle_credential order by issued_at, nkey")
	if err != nil {
		return nil, fmt.Errorf("enroll: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		c := &credential{}
		var sum, issued, ends string
		if err := rows.Scan(&c.nkey, &c.device, &c.inbox, &sum, &issued, &ends); err != nil {
			return nil, fmt.Errorf("enroll: %w", err)
		}
		if _, err := hex.Decode(c.password[:], []byte(sum)); err != nil {
			return nil, fmt.Errorf("enroll: credential of %s: %w", c.device, err)
		}
		if c.issued, err = time.Parse(time.RFC3339Nano, issued); err != nil {
			return nil, fmt.Errorf("enroll: credential of %s: %w", c.device, err)
		}
		if ends != "" {
			if c.ends, err = time.Parse(time.RFC3339Nano, ends); err != nil {
				return nil, fmt.Errorf("enroll: credential of %s: %w", c.device, err)
			}
		}
		r.add(c)
	}
	return r, rows.Err()
}

func (r *Register) add(c *credential) {
	r.byKey[c.nkey] = c
	r.devices[c.device] = append(r.devices[c.device], c)
}

// Any says whether a dongle was ever enrolled.
func (r *Register) Any() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.devices) > 0
}

// A Right is what a dongle may use.
type Right struct {
	Device string
	Inbox  string // prefix of its inboxes on NATS
	Key    string // public nkey of the credential
}

// NATS checks a public nkey and the signature over the server's nonce, base64 as clients send it.
func (r *Register) NATS(nkey string, nonce []byte, signature string) (Right, error) {
	sig, err := base64.RawURLEncoding.DecodeString(signature)
	if err != nil {
		if sig, err = base64.StdEncoding.DecodeString(signature); err != nil {
			return Right{}, fmt.Errorf("%w: the signature is no base64", ErrRefused)
		}
	}
	pub, err := nkeys.FromPublicKey(nkey)
	if err != nil || len(nonce) == 0 || pub.Verify(nonce, sig) != nil {
		return Right{}, fmt.Errorf("%w: no nkey, or one that did not sign the nonce", ErrRefused)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	c := r.byKey[nkey]
	if c == nil || !c.valid(r.now()) {
		return Right{}, fmt.Errorf("%w: nkey %s was revoked or is not listed", ErrRefused, nkey)
	}
	return Right{c.device, c.inbox, c.nkey}, nil
}

// Live says whether a credential has not ended.
func (r *Register) Live(key string) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	c := r.byKey[key]
	return c != nil && c.valid(r.now())
}

// MQTT checks a device's password.
func (r *Register) MQTT(name, password string) (Right, error) {
	sum := sha256.Sum256([]byte(password))
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, c := range r.devices[name] {
		if c.valid(r.now()) && subtle.ConstantTimeCompare(sum[:], c.password[:]) == 1 {
			return Right{c.device, c.inbox, c.nkey}, nil
		}
	}
	return Right{}, fmt.Errorf("%w: no such user name and password", ErrRefused)
}

// random is n random bytes as text without signs.
func random(n int) string {
	b := make([]byte, n)
	rand.Read(b)
	return base64.RawURLEncoding.EncodeToString(b)
}
