package people

import (
	"context"
	"crypto/rand"
	"database/sql"
	"encoding/base64"
	"errors"
	"fmt"
	"time"
)

type session struct {
	digest     digest
	name       string
	made, seen time.Time
	written    time.Time // seen as it is stored
}

// seenEvery is how exactly the last use of a session or key is stored.
const seenEvery = time.Minute

// mostSessions of one person at a time; the oldest ends when there is another.
const mostSessions = 20

// A Slowed says that sign-ins were wrong too often, and when the next one is looked at.
type Slowed struct{ Wait time.Duration }

func (s Slowed) Error() string {
	return fmt.Sprintf("too many wrong sign-ins; try again in %v", s.Wait.Round(time.Second)+time.Second)
}

// token makes 256 random bits as text.
func token() string {
	var b [32]byte
	rand.Read(b[:])
	return base64.RawURLEncoding.EncodeToString(b[:])
}

// SignIn checks a name and a password that came from an address and makes a session. The error is ErrDenied, whatever was wrong,
// ErrBusy, or Slowed.
func (r *Register) SignIn(ctx context.Context, name, password, address string) (tok string, err error) {
	if name, err = nameOf(name); err != nil {
		name = "" // counted and hashed all the same
	}
	if wait := r.limit.begin(name, address, r.now()); wait > 0 {
		r.signIns.WithLabelValues("slowed").Inc()
		return "", Slowed{wait}
	}
	r.mu.RLock()
	p := r.people[name]
	phc := nobody
	if p != nil && !p.Outside {
		phc = p.password
	}
	r.mu.RUnlock()
	wait, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	if r.hashing.in(wait) != nil {
		return "", ErrBusy
	}
	if len(password) > mostPassword {
		password = password[:mostPassword]
		phc = nobody
	}
	ok, stale, err := verifyPassword(phc, password)
	var again string
	if err == nil && ok && stale {
		again = hashPassword(password)
	}
	r.hashing.out()
	if err != nil {
		return "", err
	}
	if p == nil || p.Outside || p.Disabled || !ok {
		r.signIns.WithLabelValues("refused").Inc()
		who := name
		if p == nil { // people type their password here by mistake
			who = "a name that nobody has"
		}
		r.log.Warn("sign-in refused", "name", who, "address", address)
		return "", ErrDenied
	}
	r.limit.done(name, address)
	return r.enter(ctx, name, address, phc, again)
}

// enter makes a session of a person who has proved who they are by the stored password proof, which must still be
// in force; again takes its place where it is given.
func (r *Register) enter(ctx context.Context, name, address, proof, again string) (string, error) {
	r.change.Lock()
	defer r.change.Unlock()
	p, err := r.Person(name)
	if err != nil || p.Disabled || p.password != proof {
		return "", ErrDenied
	}
	now := r.now().UTC()
	p.LastSeen = now
	if again != "" {
		p.password = again
	}
	tok := token()
	s := &session{digest: digestOf(tok), name: p.Name, made: now, seen: now, written: now}
	if err := r.save(ctx, p.Name, "", &p, "", false); err != nil {
		return "", err
	}
	err = r.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `insert into people_sessions (digest, name, made_at, seen_at) values (?, ?, ?, ?)`, s.digest.String(), s.name, stamp(s.made), stamp(s.seen))
		return errors.Join(err, r.note(ctx, tx, p.Name, "signed in", p.Name, "from "+address))
	})
	if err != nil {
		return "", err
	}
	r.mu.Lock()
	r.sessions[s.digest] = s
	over := r.over(p.Name, now)
	r.mu.Unlock()
	r.signIns.WithLabelValues("done").Inc()
	for _, d := range over {
		if err := r.end(ctx, d); err != nil {
			return "", err
		}
	}
	return tok, nil
}

// over are sessions that are past their time, and those of a person beyond the most. The caller holds mu.
func (r *Register) over(name string, now time.Time) (out []digest) {
	var oldest *session
	n := 0
	for d, s := range r.sessions {
		switch {
		case !r.alive(s, now):
			out = append(out, d)
		case s.name == name:
			n++
			if oldest == nil || s.seen.Before(oldest.seen) {
				oldest = s
			}
		}
	}
	if n > mostSessions {
		out = append(out, oldest.digest)
	}
	return out
}

func (r *Register) alive(s *session, now time.Time) bool {
	return now.Sub(s.seen) < r.cfg.Idle && now.Sub(s.made) < r.cfg.Longest
}

// Session is the caller whom a token belongs to; nil where there is none, or it ended. With use it counts as used now.
func (r *Register) Session(ctx context.Context, tok string, use bool) *Caller {
	if len(tok) < 40 || len(tok) > 64 {
		return nil
	}
	d, now := digestOf(tok), r.now()
	r.mu.Lock()
	s := r.sessions[d]
	if s == nil || !r.alive(s, now) {
		r.mu.Unlock()
		return nil
	}
	p := r.people[s.name]
	if p == nil || p.Disabled {
		r.mu.Unlock()
		return nil
	}
	write := false
	if use {
		s.seen = now
		if write = now.Sub(s.written) >= seenEvery; write {
			s.written = now
		}
	}
	c := &Caller{Name: p.Name, Person: p.Name, Depots: p.Depots, may: abilities[p.Role], bound: p.Role == Shop, Temporary: p.Temporary, session: d}
	r.mu.Unlock()
	if write {
		if _, err := r.db.ExecContext(ctx, `update people_sessions set seen_at = ? where digest = ?`, stamp(now), d.String()); err != nil {
			r.log.Warn("the last use of a session was not stored", "err", err)
		}
	}
	return c
}

// SignOut ends the session of a caller.
func (r *Register) SignOut(ctx context.Context, c *Caller) error {
	if c == nil || c.Key {
		return nil
	}
	if err := r.end(ctx, c.session); err != nil {
		return err
	}
	return r.Note(ctx, c.Name, "signed out", c.Person, "")
}

// End ends the session of a token, if there is one.
func (r *Register) End(ctx context.Context, tok string) error { return r.end(ctx, digestOf(tok)) }

func (r *Register) end(ctx context.Context, d digest) error {
	if _, err := r.db.ExecContext(ctx, `delete from people_sessions where digest = ?`, d.String()); err != nil {
		return fmt.Errorf("people: %w", err)
	}
	r.mu.Lock()
	delete(r.sessions, d)
	r.mu.Unlock()
	return nil
}

// ChangePassword lets a caller change their own, who proves the old one once more. All of their sessions end; the token of a
// new one is returned.
func (r *Register) ChangePassword(ctx context.Context, c *Caller, old, password, address string) (tok string, err error) {
	if c == nil || c.Key {
		return "", fmt.Errorf("%w: a password is changed by its person", ErrInput)
	}
	p, err := r.Person(c.Person)
	if err != nil {
		return "", err
	}
	if p.Outside {
		return "", fmt.Errorf("%w: you sign in at the provider of OpenID Connect and have no password here", ErrInput)
	}
	if wait := r.limit.begin(p.Name, address, r.now()); wait > 0 {
		return "", Slowed{wait}
	}
	if r.hashing.in(ctx) != nil {
		return "", ErrBusy
	}
	ok, _, err := verifyPassword(p.password, old)
	r.hashing.out()
	switch {
	case err != nil:
		return "", err
	case !ok:
		return "", fmt.Errorf("%w: the old password is not right", ErrInput)
	}
	r.limit.done(p.Name, address)
	if old == password {
		return "", fmt.Errorf("%w: the new password is the old one", ErrInput)
	}
	if err := checkPassword(p.Name, password); err != nil {
		return "", err
	}
	phc, err := r.hashed(ctx, password)
	if err != nil {
		return "", err
	}
	err = r.alter(ctx, c.Name, p.Name, "password changed", func(p *Person) error {
		p.password, p.Temporary = phc, false
		return nil
	})
	if err != nil {
		return "", err
	}
	return r.enter(ctx, p.Name, address, phc, "")
}
