package enroll

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"slices"
	"sync"
	"time"
)

// Several brokers share one list: the node that keeps the register writes a copy of it beside, the others read that.
// It holds what the register holds, so nothing that a dongle could sign in with.
type copied struct {
	Nkey     string    `json:"nkey"`
	Device   string    `json:"device"`
	Inbox    string    `json:"inbox"`
	Password string    `json:"password_sha256"`
	Issued   time.Time `json:"issued_at"`
	Ends     time.Time `json:"ends_at,omitzero"`
}

// WriteCopy writes the list to a file, whole or not at all.
func (r *Register) WriteCopy(path string) error {
	r.mu.Lock()
	list := make([]copied, 0, len(r.byKey))
	for _, c := range r.byKey {
		list = append(list, copied{c.nkey, c.device, c.inbox, hex.EncodeToString(c.password[:]), c.issued, c.ends})
	}
	r.mu.Unlock()
	slices.SortFunc(list, func(a, b copied) int { return a.Issued.Compare(b.Issued) })
	text, err := json.Marshal(list)
	if err != nil {
		return fmt.Errorf("enroll: copy: %w", err)
	}
	temp := path + ".tmp"
	if err := errors.Join(os.WriteFile(temp, text, 0o600), os.Rename(temp, path)); err != nil {
		return fmt.Errorf("enroll: copy: %w", err)
	}
	return nil
}

// lookAgain is how old a Copy may be.
const lookAgain = time.Second

// A Copy answers from the file of WriteCopy, which it reads again when it changes. While the file cannot be read it
// answers by what it read last; a file that was never there is an empty list.
type Copy struct {
	path string

	mu     sync.Mutex
	looked time.Time
	file   os.FileInfo
	list   *Register
}

// OpenCopy reads from a file that need not be there yet.
func OpenCopy(path string) *Copy { return &Copy{path: path, list: empty()} }

func empty() *Register {
	return &Register{now: time.Now, byKey: map[string]*credential{}, devices: map[string][]*credential{}}
}

func (c *Copy) newest() *Register {
	c.mu.Lock()
	defer c.mu.Unlock()
	if time.Since(c.looked) < lookAgain {
		return c.list
	}
	c.looked = time.Now()
	file, err := os.Stat(c.path)
	if err != nil || c.file != nil && os.SameFile(file, c.file) { // each writing makes another file
		return c.list
	}
	if list, err := readCopy(c.path); err == nil {
		c.list, c.file = list, file
	}
	return c.list
}

func readCopy(path string) (*Register, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	var list []copied
	if err := json.Unmarshal(text, &list); err != nil {
		return nil, err
	}
	r := empty()
	for _, x := range list {
		k := &credential{nkey: x.Nkey, device: x.Device, inbox: x.Inbox, issued: x.Issued, ends: x.Ends}
		if n, err := hex.Decode(k.password[:], []byte(x.Password)); err != nil || n != sha256.Size {
			return nil, fmt.Errorf("credential of %s: no SHA-256", x.Device)
		}
		r.add(k)
	}
	return r, nil
}

// Any is Register.Any of the newest copy, and so are the others.
func (c *Copy) Any() bool            { return c.newest().Any() }
func (c *Copy) Live(key string) bool { return c.newest().Live(key) }
func (c *Copy) MQTT(user, password string) (Right, error) {
	return c.newest().MQTT(user, password)
}
func (c *Copy) NATS(nkey string, nonce []byte, signature string) (Right, error) {
	return c.newest().NATS(nkey, nonce, signature)
}
