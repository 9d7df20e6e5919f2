package people

import (
	"strings"
	"testing"
)

// Hashes of "password" with the salt "somesalt", argon2id, version 19: the test vectors of the reference implementation
// (github.com/P-H-C/phc-winner-argon2, src/test.c), in the same PHC form that we store.
func TestPasswordAgainstTheReferenceImplementation(t *testing.T) {
	for _, c := range []struct {
		password, phc string
		want          bool
	}{
		{"password", "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc", true},
		{"password", "$argon2id$v=19$m=256,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4", true},
		{"password", "$argon2id$v=19$m=256,t=2,p=2$c29tZXNhbHQ$bQk8UB/VmZZF4Oo79iDXuL5/0ttZwg2f/5U52iv1cDc", true},
		{"differentpassword", "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$C4TWUs9rDEvq7w3+J4umqA32aWKB1+DSiRuBfYxFj94", true},
		{"password", "$argon2id$v=19$m=65536,t=2,p=1$ZGlmZnNhbHQ$vfMrBczELrFdWP0ZsfhWsRPaHppYdP3MVEMIVlqoFBw", true},
		{"passwore", "$argon2id$v=19$m=256,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4", false},
	} {
		ok, stale, err := verifyPassword(c.phc, c.password)
		if err != nil || ok != c.want || !stale {
			t.Errorf("%s with %q: %v, stale %v, %v; want %v", c.phc, c.password, ok, stale, err, c.want)
		}
	}
}

func TestPasswordForm(t *testing.T) {
	a, b := hashPassword("correct horse battery staple"), hashPassword("correct horse battery staple")
	if a == b {
		t.Error("two hashes of one password are the same: the salt is")
	}
	if !strings.HasPrefix(a, "$argon2id$v=19$m=65536,t=3,p=4$") { // RFC 9106, section 4, second recommended option
		t.Errorf("parameters of %s", a)
	}
	if ok, stale, err := verifyPassword(a, "correct horse battery staple"); !ok || stale || err != nil {
		t.Error(ok, stale, err)
	}
	if ok, _, _ := verifyPassword(a, "correct horse battery stapl"); ok {
		t.Error("another password holds")
	}
	if ok, stale, err := verifyPassword(nobody, "anything"); ok || stale || err != nil {
		t.Error("nobody's hash must cost what a real one does and hold for nothing:", ok, stale, err)
	}
	for _, bad := range []string{"", "x", "$2y$10$abc", "$argon2i$v=19$m=65536,t=3,p=4$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc", "$argon2id$v=16$m=8,t=1,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc",
		"$argon2id$v=19$m=4294967295,t=1,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc", "$argon2id$v=19$m=256,t=0,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc", "$argon2id$v=19$m=256,t=1,p=1$c29tZXNhbHQ$"} {
		if ok, _, err := verifyPassword(bad, "password"); ok || err == nil {
			t.Errorf("%q: %v %v", bad, ok, err)
		}
	}
}

func TestPasswordRules(t *testing.T) {
	for password, good := range map[string]bool{
		"fourteen chars": false, "fifteen chars!!": true, strings.Repeat("ab", 20): false, "odalys odalys 1": false, "four words that go together": true, strings.Repeat("pass phrase ", 200): false, "größe und übermut": true,
	} {
		if err := checkPassword("odalys", password); (err == nil) != good {
			t.Errorf("%q: %v", password, err)
		}
	}
}
