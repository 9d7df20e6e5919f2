package main

import (
	"context"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
)

// What starts the service may want to hear how it is doing: systemd, by datagrams to NOTIFY_SOCKET (sd_notify(3)).
// Where nobody wants to, nothing is sent.

// tell sends one state; that it could not is no reason to stop.
func (a *app) tell(state string) {
	if _, err := daemon.SdNotify(false, state); err != nil {
		a.log.Warn("the service manager could not be told", "state", state, "err", err)
	}
}

// tellAlive says again and again, where a watchdog waits for it, that the service is alive: its state database and its
// lake answer. A broker or a network that is away is no reason to be started again.
func (a *app) tellAlive(ctx context.Context) error {
	wait, err := daemon.SdWatchdogEnabled(false)
	if err != nil {
		a.log.Warn("the watchdog's setting cannot be read", "err", err)
	}
	if wait <= 0 || err != nil {
		return nil
	}
	tick := time.NewTicker(wait / 3)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		if err := a.db.PingContext(ctx); err != nil {
			a.log.Error("the state database does not answer", "err", err)
			continue
		}
		a.lake.Stats()
		a.tell(daemon.SdNotifyWatchdog)
	}
}
