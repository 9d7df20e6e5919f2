// Package cutline is a TCP line that can be cut, for tests of what a broken network does.
package cutline

import (
	"io"
	"net"
	"sync"
)

// A Line carries connections made to Addr to another address, until it is cut.
type Line struct {
	l    net.Listener
	to   string
	done sync.WaitGroup

	mu   sync.Mutex
	cut  bool
	open []net.Conn
}

// New opens a line to an address, which need not answer yet.
func New(to string) (*Line, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	k := &Line{l: l, to: to}
	k.done.Go(k.run)
	return k, nil
}

// Addr is the near end.
func (k *Line) Addr() string { return k.l.Addr().String() }

// Cut breaks what is open and lets nothing through, or lets things through again.
func (k *Line) Cut(cut bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.cut = cut
	for _, c := range k.open {
		c.Close()
	}
	k.open = nil
}

// Close ends the line and waits.
func (k *Line) Close() {
	k.l.Close()
	k.Cut(true)
	k.done.Wait()
}

func (k *Line) run() {
	for {
		in, err := k.l.Accept()
		if err != nil {
			return
		}
		out, err := net.Dial("tcp", k.to)
		if err != nil {
			in.Close()
			continue
		}
		k.mu.Lock()
		if k.cut {
			in.Close()
			out.Close()
		} else {
			k.open = append(k.open, in, out)
			k.done.Go(func() { carry(in, out) })
			k.done.Go(func() { carry(out, in) })
		}
		k.mu.Unlock()
	}
}

func carry(to, from net.Conn) {
	io.Copy(to, from)
	to.Close()
	from.Close()
}
