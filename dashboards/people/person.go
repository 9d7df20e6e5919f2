package people

import (
	"cmp"
	"context"
	"crypto/rand"
	"database/sql"
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"
)

// A Person is somebody who may sign in.
type Person struct {
	Name      string    `json:"-"`
	Full      string    `json:"full,omitempty"` // as people write it
	Role      Role      `json:"role"`
	Depots    []string  `json:"depots,omitempty"` // of a shop
	MadeAt    time.Time `json:"made_at"`
	LastSeen  time.Time `json:"last_seen,omitzero"` // last sign-in
	Disabled  bool      `json:"disabled,omitempty"`
	Temporary bool      `json:"temporary,omitempty"` // the password was set by somebody else
	Outside   bool      `json:"-"`                   // a provider vouches for them
	password  string
	identity  string
}

var names = regexp.MustCompile(`^[a-z0-9][a-z0-9._@+-]{0,63}$`)

// nameOf is a name as it is kept: small letters.
func nameOf(s string) (string, error) {
	n := strings.ToLower(strings.TrimSpace(s))
	if !names.MatchString(n) {
		return "", fmt.Errorf("%w: name: 1 to 64 of a-z, 0-9 and . _ @ + -, beginning with a letter or digit", ErrInput)
	}
	return n, nil
}

// check sets a person right or says what is wrong.
func (p *Person) check() error {
	var err error
	if p.Name, err = nameOf(p.Name); err != nil {
		return err
	}
	if p.Role, err = ParseRole(string(p.Role)); err != nil {
		return err
	}
	p.Full = strings.TrimSpace(p.Full)
	var depots []string
	for _, d := range p.Depots {
		if d = strings.TrimSpace(d); d != "" && !slices.Contains(depots, d) {
			depots = append(depots, d)
		}
	}
	slices.Sort(depots)
	p.Depots = depots
	switch {
	case len(p.Full) > 100:
		return fmt.Errorf("%w: the full name has at most 100 characters", ErrInput)
	case p.Role == Shop && len(depots) == 0:
		return fmt.Errorf("%w: a shop needs at least one depot: it sees that depot's orders alone", ErrInput)
	case p.Role != Shop && len(depots) > 0:
		return fmt.Errorf("%w: only a shop is bound to depots; a %s sees every depot", ErrInput, p.Role)
	}
	return nil
}

// List is everybody, by name.
func (r *Register) List() []Person {
	r.mu.RLock()
	defer r.mu.RUnlock()
	list := make([]Person, 0, len(r.people))
	for _, p := range r.people {
		list = append(list, *p)
	}
	slices.SortFunc(list, func(a, b Person) int { return cmp.Compare(a.Name, b.Name) })
	return list
}

// Person is one by name.
func (r *Register) Person(name string) (Person, error) {
	r.mu.RLock()
	defer r.mu.RUnlock()
	if p := r.people[strings.ToLower(strings.TrimSpace(name))]; p != nil {
		return *p, nil
	}
	return Person{}, fmt.Errorf("person %q: %w", name, ErrNotFound)
}

// Add lists a person. Without a password one is made, which is returned, is shown once, and has to be changed at
// the first sign-in.
func (r *Register) Add(ctx context.Context, by string, p Person, password string) (made string, err error) {
	if err := p.check(); err != nil {
		return "", err
	}
	p.MadeAt, p.Temporary, p.Disabled, p.LastSeen, p.identity = r.now().UTC(), password == "", false, time.Time{}, ""
	if password == "" {
		made = rand.Text()
		password = made
	} else if err := checkPassword(p.Name, password); err != nil {
		return "", err
	}
	if p.password, err = r.hashed(ctx, password); err != nil {
		return "", err
	}
	r.change.Lock()
	defer r.change.Unlock()
	r.mu.RLock()
	there, first := r.people[p.Name] != nil, len(r.people) == 0 && !r.outside
	r.mu.RUnlock()
	switch {
	case there:
		return "", fmt.Errorf("%w: there is a person %q already", ErrInput, p.Name)
	case first && p.Role != Administrator:
		return "", fmt.Errorf("%w: the first person must be an administrator, or nobody could add the others", ErrInput)
	}
	return made, r.save(ctx, by, "person added", &p, p.describe(), false)
}

func (p *Person) describe() string {
	s := string(p.Role)
	if len(p.Depots) > 0 {
		s += " of " + strings.Join(p.Depots, ", ")
	}
	if p.Disabled {
		s += ", disabled"
	}
	return s
}

func (r *Register) hashed(ctx context.Context, password string) (string, error) {
	if err := r.hashing.in(ctx); err != nil {
		return "", ErrBusy
	}
	defer r.hashing.out()
	return hashPassword(password), nil
}

// save writes a person and records it; with end all of the person's sessions end. The caller holds change.
func (r *Register) save(ctx context.Context, by, what string, p *Person, detail string, end bool) error {
	body, err := json.Marshal(p)
	if err != nil {
		return err
	}
	err = r.write(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `insert into people (name, password, identity, body) values (?, ?, ?, ?)
			on conflict (name) do update set password = excluded.password, identity = excluded.identity, body = excluded.body`, p.Name, p.password, p.identity, string(body)); err != nil {
			return err
		}
		if end {
			if _, err := tx.ExecContext(ctx, `delete from people_sessions where name = ?`, p.Name); err != nil {
				return err
			}
		}
		if what == "" {
			return nil
		}
		return r.note(ctx, tx, by, what, p.Name, detail)
	})
	if err != nil {
		return err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.people[p.Name] = p
	if end {
		for d, s := range r.sessions {
			if s.name == p.Name {
				delete(r.sessions, d)
			}
		}
	}
	return nil
}

// alter changes a person in one step; their sessions end.
func (r *Register) alter(ctx context.Context, by, name, what string, f func(p *Person) error) error {
	r.change.Lock()
	defer r.change.Unlock()
	p, err := r.Person(name)
	if err != nil {
		return err
	}
	was := p.describe()
	p.Depots = slices.Clone(p.Depots)
	if err := f(&p); err != nil {
		return err
	}
	if err := p.check(); err != nil {
		return err
	}
	r.mu.RLock()
	last := r.administrators(p.Name) == 0 && !r.outside
	r.mu.RUnlock()
	if last && (p.Role != Administrator || p.Disabled) {
		return fmt.Errorf("%w: %s is the last administrator who can act: make another one first", ErrInput, p.Name)
	}
	detail := p.describe()
	if was != detail {
		detail = was + " → " + detail
	}
	return r.save(ctx, by, what, &p, detail, true)
}

// SetRole gives a person another role, a shop its depots.
func (r *Register) SetRole(ctx context.Context, by, name string, role Role, depots []string) error {
	return r.alter(ctx, by, name, "role changed", func(p *Person) error {
		if p.Outside {
			return fmt.Errorf("%w: the provider of OpenID Connect says which role %s has", ErrInput, p.Name)
		}
		p.Role, p.Depots = role, depots
		return nil
	})
}

// Disable ends a person's standing: no sign-in, no session, no key. Enable gives it back.
func (r *Register) Disable(ctx context.Context, by, name string) error {
	return r.alter(ctx, by, name, "person disabled", func(p *Person) error { p.Disabled = true; return nil })
}

// Enable lets a disabled person sign in again.
func (r *Register) Enable(ctx context.Context, by, name string) error {
	return r.alter(ctx, by, name, "person enabled", func(p *Person) error { p.Disabled = false; return nil })
}

// ResetPassword gives a person a new password. Without one, one is made as in Add.
func (r *Register) ResetPassword(ctx context.Context, by, name, password string) (made string, err error) {
	p, err := r.Person(name)
	if err != nil {
		return "", err
	}
	temporary := password == ""
	if temporary {
		made = rand.Text()
		password = made
	} else if err := checkPassword(p.Name, password); err != nil {
		return "", err
	}
	phc, err := r.hashed(ctx, password)
	if err != nil {
		return "", err
	}
	return made, r.alter(ctx, by, name, "password set", func(p *Person) error {
		if p.Outside {
			return fmt.Errorf("%w: %s signs in at the provider of OpenID Connect and has no password here", ErrInput, p.Name)
		}
		p.password, p.Temporary = phc, temporary
		return nil
	})
}
