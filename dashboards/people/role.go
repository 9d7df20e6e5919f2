package people

import (
	"context"
	"fmt"
	"slices"
	"strings"
)

// A Role is what a person is here for.
type Role string

// The roles. Their abilities are in the package's doc.
const (
	Viewer        Role = "viewer"
	Analyst       Role = "analyst"
	Shop          Role = "shop"
	Manager       Role = "manager"
	Administrator Role = "administrator"
)

// Roles are all of them, the least first.
var Roles = []Role{Viewer, Analyst, Shop, Manager, Administrator}

// An Ability is one kind of thing that a person may do; a set of them is their sum.
type Ability uint8

// The abilities.
const (
	Look   Ability = 1 << iota // see every page and figure
	Query                      // ask the history in SQL
	Work                       // what a shop does with a visit
	Decide                     // what binds the fleet
	Manage                     // people, keys of others, the record of changes
)

const everything = Look | Query | Work | Decide | Manage

var abilities = map[Role]Ability{
	Viewer:        Look,
	Analyst:       Look | Query,
	Shop:          Work,
	Manager:       Look | Query | Work | Decide,
	Administrator: everything,
}

// ParseRole reads a role by its name.
func ParseRole(s string) (Role, error) {
	r := Role(strings.ToLower(strings.TrimSpace(s)))
	if !slices.Contains(Roles, r) {
		return "", fmt.Errorf("%w: role %q: viewer, analyst, shop, manager or administrator", ErrInput, s)
	}
	return r, nil
}

// A Caller is who a request is from. Its name goes into every history.
type Caller struct {
	Name      string // the name of the person, with the key's where a key was shown
	Person    string // the person's own
	Depots    []string
	may       Ability
	bound     bool // to its depots
	Key       bool // by an API key
	Temporary bool // the password was set by somebody else and has to be changed first
	session   digest
}

// May says whether the caller has one of the abilities.
func (c *Caller) May(a Ability) bool { return c == nil || c.may&a != 0 }

// Sees says whether the caller may know of what belongs to a depot. Nobody but a shop is bound to depots.
func (c *Caller) Sees(depot string) bool {
	return c == nil || !c.bound || depot != "" && slices.Contains(c.Depots, depot)
}

// Bound says whether the caller sees its own depots alone.
func (c *Caller) Bound() bool { return c != nil && c.bound }

type callerKey struct{}

// With gives a context the caller of a request.
func With(ctx context.Context, c *Caller) context.Context {
	return context.WithValue(ctx, callerKey{}, c)
}

// From is the caller of a request; nil where no sign-in is asked for, which may do everything.
func From(ctx context.Context) *Caller {
	c, _ := ctx.Value(callerKey{}).(*Caller)
	return c
}

// Who is the name to write into a history: the signed-in person's, else the one that was typed.
func Who(ctx context.Context, typed string) string {
	if c := From(ctx); c != nil {
		return c.Name
	}
	return typed
}

// Nobody is a caller who may do nothing: somebody who has not signed in where that is asked for.
func Nobody() *Caller { return &Caller{bound: true} }

// Known says whether the caller proved who they are.
func (c *Caller) Known() bool { return c != nil && c.Person != "" }

// KeyRole says whether the key of a person with a role may have another: its abilities must be among the person's.
// None may administer.
func KeyRole(owner, key Role) bool {
	switch {
	case key == Administrator || abilities[key]&^abilities[owner] != 0:
		return false
	case owner == Shop:
		return key == Shop
	}
	return key != Shop // only a shop has depots
}
