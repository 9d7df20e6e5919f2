package cutline

import (
	"fmt"
	"math/rand/v2"
	"net"
	"os"
)

// The ports that Unused takes from. A port that the system gives out by itself may be the near end of somebody's
// connection a moment later; those below do not come by themselves.
const (
	firstPort   = 15_000
	usualLowest = 32_768 // of the ports that the system gives out, where it does not say
)

// Unused is an address on this machine that nobody listens on, and that no connection will take meanwhile.
func Unused() (string, error) {
	end := usualLowest
	if text, err := os.ReadFile("/proc/sys/net/ipv4/ip_local_port_range"); err == nil {
		fmt.Sscan(string(text), &end)
	}
	if end <= firstPort+1000 {
		end = usualLowest
	}
	var last error
	for range 100 {
		l, err := net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", firstPort+rand.IntN(end-firstPort)))
		if err == nil {
			return l.Addr().String(), l.Close()
		}
		last = err
	}
	return "", fmt.Errorf("cutline: no unused port: %w", last)
}
