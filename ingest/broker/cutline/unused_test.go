package cutline

import (
	"net"
	"testing"
)

// What is given is free, and is none of the ports that the system gives to connections.
func TestUnusedIsNobodysPort(t *testing.T) {
	for range 50 {
		addr, err := Unused()
		if err != nil {
			t.Fatal(err)
		}
		at, err := net.ResolveTCPAddr("tcp", addr)
		if err != nil || at.Port < firstPort || at.Port >= usualLowest {
			t.Fatalf("%s: %v", addr, err)
		}
		own, err := net.Listen("tcp", addr)
		if err != nil {
			t.Fatal(err)
		}
		own.Close()
	}
}
