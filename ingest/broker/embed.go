package broker

import (
	"fmt"
	"log/slog"
	"net"
	"strconv"

	"github.com/nats-io/nats-server/v2/server"
)

// embed starts a server in this process. Every write is synced before it is acknowledged.
func embed(cfg Config, log *slog.Logger) (*server.Server, error) {
	if cfg.Dir == "" {
		return nil, fmt.Errorf("broker: the embedded server needs a folder")
	}
	o := &server.Options{
		ServerName: "marginline", JetStream: true, StoreDir: cfg.Dir, SyncAlways: true,
		DontListen: true, NoSigs: true, MaxPayload: maxPayload, JetStreamMaxMemory: maxMemory,
	}
	if cfg.Listen != "" {
		host, port, err := net.SplitHostPort(cfg.Listen)
		if err != nil {
			return nil, fmt.Errorf("broker: listen: %w", err)
		}
		n, err := strconv.ParseUint(port, 10, 16)
		if err != nil {
			return nil, fmt.Errorf("broker: listen: %q is not a port", port)
		}
		o.DontListen, o.Host, o.Port = false, host, int(n)
		if n == 0 {
			o.Port = server.RANDOM_PORT
		}
	}
	s, err := server.NewServer(o)
	if err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	s.SetLoggerV2(quiet{log}, false, false, false)
	s.Start()
	if !s.ReadyForConnections(startTimeout) {
		s.Shutdown()
		s.WaitForShutdown()
		return nil, fmt.Errorf("broker: the embedded server was not ready within %v; is %s writable and used by nobody else?", startTimeout, cfg.Dir)
	}
	return s, nil
}

// quiet passes the server's log on. Its notices are start-up chatter, so they are ours at debug level.
type quiet struct{ log *slog.Logger }

func (q quiet) Noticef(f string, v ...any) { q.log.Debug(fmt.Sprintf(f, v...)) }
func (q quiet) Warnf(f string, v ...any)   { q.log.Warn(fmt.Sprintf(f, v...)) }
func (q quiet) Fatalf(f string, v ...any)  { q.log.Error(fmt.Sprintf(f, v...)) }
func (q quiet) Errorf(f string, v ...any)  { q.log.Error(fmt.Sprintf(f, v...)) }
func (q quiet) Debugf(f string, v ...any)  { q.log.Debug(fmt.Sprintf(f, v...)) }
func (q quiet) Tracef(f string, v ...any)  { q.log.Debug(fmt.Sprintf(f, v...)) }
