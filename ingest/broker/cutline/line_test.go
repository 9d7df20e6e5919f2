package cutline

import (
	"bufio"
	"fmt"
	"net"
	"testing"
	"time"
)

// A line carries both ways; cut, it breaks what is open and lets nothing through; mended, it carries again.
func TestLine(t *testing.T) {
	far, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer far.Close()
	go func() {
		for {
			c, err := far.Accept()
			if err != nil {
				return
			}
			go func() {
				defer c.Close()
				for in := bufio.NewScanner(c); in.Scan(); {
					fmt.Fprintf(c, "heard %s\n", in.Text())
				}
			}()
		}
	}()
	k, err := New(far.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer k.Close()
	dial := func() net.Conn {
		t.Helper()
		c, err := net.Dial("tcp", k.Addr())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { c.Close() })
		c.SetDeadline(time.Now().Add(20 * time.Second))
		return c
	}
	says := func(c net.Conn) (string, error) {
		fmt.Fprintln(c, "one")
		return bufio.NewReader(c).ReadString('\n')
	}
	c := dial()
	if got, err := says(c); got != "heard one\n" {
		t.Fatalf("%q, %v", got, err)
	}
	k.Cut(true)
	if got, err := says(c); err == nil {
		t.Errorf("a line that was cut carried %q", got)
	}
	if got, err := says(dial()); err == nil {
		t.Errorf("a line that is cut carried %q", got)
	}
	k.Cut(false)
	if got, err := says(dial()); got != "heard one\n" {
		t.Errorf("after it was mended: %q, %v", got, err)
	}
}
