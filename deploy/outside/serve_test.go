package outside

import (
	"bufio"
	"net"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"
)

// A service is the served binary and what it says.
type service struct {
	t    *testing.T
	cmd  *exec.Cmd
	read chan struct{} // closed once it says no more

	mu   sync.Mutex
	said []string
	end  sync.Once
}

// serve runs the service over a data folder, on ports that are free, until the test ends. Settings are of its environment.
func serve(t *testing.T, data string, settings ...string) *service {
	t.Helper()
	s := &service{t: t, read: make(chan struct{})}
	s.cmd = exec.Command(program(t), "serve", "--data", data, "--listen", "127.0.0.1:0", "--sql-flight", "127.0.0.1:0")
	s.cmd.Env = append(append(os.Environ(), "MARGINLINE_LAKE_EVERY=0"), settings...)
	errs, err := s.cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		defer close(s.read)
		for lines := bufio.NewScanner(errs); lines.Scan(); {
			s.mu.Lock()
			s.said = append(s.said, lines.Text())
			s.mu.Unlock()
		}
	}()
	t.Cleanup(s.stop)
	return s
}

// free is an address that nothing listens at, for a listener whose address the log does not tell.
func free(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// stop ends the service in good order.
func (s *service) stop() {
	s.end.Do(func() {
		_ = s.cmd.Process.Signal(os.Interrupt)
		<-s.read
		if err := s.cmd.Wait(); err != nil {
			s.t.Errorf("serve ended with %v\n%s", err, s.log())
		}
	})
}

func (s *service) log() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return strings.Join(s.said, "\n")
}

// says waits for something in the log and gives the first group of its pattern.
func (s *service) says(pattern string) string {
	s.t.Helper()
	re := regexp.MustCompile("(?m)" + pattern)
	for end := time.Now().Add(time.Minute); ; time.Sleep(20 * time.Millisecond) {
		ended := false
		select {
		case <-s.read:
			ended = true
		default:
		}
		if m := re.FindStringSubmatch(s.log()); m != nil {
			return m[re.NumSubexp()]
		}
		if ended || time.Now().After(end) {
			s.t.Fatalf("the service does not say %s:\n%s", pattern, s.log())
		}
	}
}

// web and flight are the addresses, each as host:port.
func (s *service) web() string {
	s.t.Helper()
	return s.says(`msg=serving address=https?://([0-9.:]+)`)
}
func (s *service) flight() string {
	s.t.Helper()
	return s.says(`Arrow Flight SQL.* address=grpc(?:\+tls)?://([0-9.:]+)`)
}
