package people

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"fmt"
	"strings"

	"golang.org/x/crypto/argon2"
)

// Parameters of argon2id: RFC 9106, section 4, second recommended option (t = 3, p = 4, m = 64 MiB, salt of 128 bits, tag of 256
// bits), more than the least that OWASP's Password Storage Cheat Sheet asks for (19 MiB, t = 2, p = 1).
const (
	argonTime    = 3
	argonMemory  = 64 << 10 // KiB
	argonThreads = 4
	saltLen      = 16
	tagLen       = 32
)

// How long a password must be: where it is the only factor, NIST SP 800-63B-4, section 3.1.1.2 asks for 15 characters at
// least and no rules of composition (from memory).
const (
	leastPassword = 15
	mostPassword  = 1024 // bytes; more is work for nothing
)

// hashing bounds how many passwords are hashed at a time: each takes 64 MiB and a core for about a tenth of a second.
type hashing chan struct{}

func (h hashing) in(ctx context.Context) error {
	select {
	case h <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (h hashing) out() { <-h }

// hashPassword makes the PHC form of a password with a salt of its own.
func hashPassword(password string) string {
	salt := make([]byte, saltLen)
	rand.Read(salt)
	tag := argon2.IDKey([]byte(password), salt, argonTime, argonMemory, argonThreads, tagLen)
	enc := base64.RawStdEncoding.EncodeToString
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, argonMemory, argonTime, argonThreads, enc(salt), enc(tag))
}

// verifyPassword compares a password with a PHC form. stale says that the form was made with other parameters than now.
func verifyPassword(phc, password string) (ok, stale bool, err error) {
	parts := strings.Split(phc, "$")
	if len(parts) != 6 || parts[0] != "" || parts[1] != "argon2id" || parts[2] != fmt.Sprintf("v=%d", argon2.Version) {
		return false, false, fmt.Errorf("stored password: not argon2id, version %d, in PHC form", argon2.Version)
	}
	var m, t uint32
	var p uint8
	if _, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &m, &t, &p); err != nil || t < 1 || p < 1 || m > 1<<21 || t > 100 {
		return false, false, fmt.Errorf("stored password: parameters %q", parts[3])
	}
	salt, err1 := base64.RawStdEncoding.DecodeString(parts[4])
	tag, err2 := base64.RawStdEncoding.DecodeString(parts[5])
	if err1 != nil || err2 != nil || len(tag) < 16 || len(tag) > 64 {
		return false, false, fmt.Errorf("stored password: salt or tag cannot be read")
	}
	got := argon2.IDKey([]byte(password), salt, t, m, p, uint32(len(tag)))
	stale = m != argonMemory || t != argonTime || p != argonThreads || len(tag) != tagLen
	return subtle.ConstantTimeCompare(got, tag) == 1, stale, nil
}

// nobody is what a password is compared with where no person has the name.
var nobody = fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, argonMemory, argonTime, argonThreads,
	base64.RawStdEncoding.EncodeToString(make([]byte, saltLen)), base64.RawStdEncoding.EncodeToString(make([]byte, tagLen)))

// checkPassword says what is wrong with a new password, in words for whoever chose it.
func checkPassword(name, password string) error {
	seen := map[rune]bool{}
	n := 0
	for _, c := range password {
		seen[c] = true
		n++
	}
	switch {
	case n < leastPassword:
		return fmt.Errorf("%w: a password needs at least %d characters; a few words that only you put together do well", ErrInput, leastPassword)
	case len(password) > mostPassword:
		return fmt.Errorf("%w: a password may have at most %d bytes", ErrInput, mostPassword)
	case len(seen) < 6:
		return fmt.Errorf("%w: this password repeats a few characters: it would be guessed", ErrInput)
	case len(name) > 3 && strings.Contains(strings.ToLower(password), name) && n < leastPassword+len(name):
		return fmt.Errorf("%w: this password is little more than the name", ErrInput)
	}
	return nil
}
