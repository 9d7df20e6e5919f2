package broker

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nuid"
)

// The lease is one key of a bucket whose entries go by themselves. Who makes the key leads, as long as it writes it
// again in time; who finds it waits.
const (
	leaseBucket = "MARGINLINE_LEASE"
	leaseKey    = "committer"
	leaseTerm   = 5 * time.Second         // from the broker's taking a renewal to its forgetting it
	leaseRenew  = time.Second             // between two renewals
	leaseTrust  = leaseTerm - time.Second // from the sending of the last good renewal: the holder ends before the broker forgets
)

// A Lease says that this node, and no other one of the cluster, may commit. It ends by Release, or by itself when
// the broker did not confirm it in time: a node that was cut off ends before another one can begin.
type Lease struct {
	kv   jetstream.KeyValue
	name string // of the node, and of this time that it leads
	rev  uint64
	lost chan struct{}
	stop context.CancelFunc
	done sync.WaitGroup
}

// Lead waits until this node holds the lease. waiting is told who holds it, each time that this changes; "" = nobody
// that the broker could name. An error means that ctx has ended.
func (b *Broker) Lead(ctx context.Context, c Cluster, waiting func(leader string)) (*Lease, error) {
	var kv jetstream.KeyValue
	err := b.assemble(ctx, func(ctx context.Context) (err error) {
		kv, err = b.js.CreateOrUpdateKeyValue(ctx, jetstream.KeyValueConfig{
			Bucket: leaseBucket, Description: "who commits", TTL: leaseTerm, History: 1, Storage: jetstream.FileStorage, Replicas: c.copies(),
		})
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("broker: lease: %w", err)
	}
	last, first := "", true
	name := c.Node + " " + nuid.Next()
	for ctx.Err() == nil {
		sent := time.Now()
		rev, err := within(ctx, func(ctx context.Context) (uint64, error) { return kv.Create(ctx, leaseKey, []byte(name)) })
		if err == nil {
			l := &Lease{kv: kv, name: name, rev: rev, lost: make(chan struct{})}
			var renewing context.Context
			renewing, l.stop = context.WithCancel(context.Background())
			l.done.Go(func() { l.renew(renewing, sent) })
			return l, nil
		}
		leader := ""
		if e, err := within(ctx, func(ctx context.Context) (jetstream.KeyValueEntry, error) { return kv.Get(ctx, leaseKey) }); err == nil {
			leader, _, _ = strings.Cut(string(e.Value()), " ")
		}
		if first || leader != last {
			waiting(leader)
			last, first = leader, false
		}
		if !errors.Is(err, jetstream.ErrKeyExists) {
			b.log.Debug("the lease was not given", "err", err)
		}
		select {
		case <-ctx.Done():
		case <-time.After(leaseRenew):
		}
	}
	return nil, fmt.Errorf("broker: lease: %w", ctx.Err())
}

// within gives one call a term that leaves time for another one.
func within[T any](ctx context.Context, call func(context.Context) (T, error)) (T, error) {
	ctx, cancel := context.WithTimeout(ctx, 2*leaseRenew)
	defer cancel()
	return call(ctx)
}

// renew writes the key again until that failed for too long.
func (l *Lease) renew(ctx context.Context, confirmed time.Time) {
	defer close(l.lost)
	for {
		pause := time.NewTimer(min(leaseRenew, max(leaseTrust-time.Since(confirmed), 0)))
		select {
		case <-ctx.Done():
			pause.Stop()
			return
		case <-pause.C:
		}
		left := leaseTrust - time.Since(confirmed)
		if left <= 0 {
			return
		}
		sent := time.Now()
		once, cancel := context.WithTimeout(ctx, min(left, 2*leaseRenew))
		rev, err := l.kv.Update(once, leaseKey, []byte(l.name), l.rev)
		cancel()
		switch {
		case err == nil:
			l.rev, confirmed = rev, sent
		case errors.Is(err, jetstream.ErrKeyRevisionMismatch): // another revision: an answer was lost on the way, or another node leads
			e, err := within(ctx, func(ctx context.Context) (jetstream.KeyValueEntry, error) { return l.kv.Get(ctx, leaseKey) })
			if err == nil && string(e.Value()) != l.name {
				return
			}
			if err == nil {
				l.rev = e.Revision()
			}
		}
	}
}

// Lost is closed when the lease has ended.
func (l *Lease) Lost() <-chan struct{} { return l.lost }

// Release gives the lease back, so that another node need not wait for its end.
func (l *Lease) Release(ctx context.Context) {
	l.stop()
	l.done.Wait()
	ctx, cancel := context.WithTimeout(ctx, 2*leaseRenew)
	defer cancel()
	l.kv.Purge(ctx, leaseKey, jetstream.LastRevision(l.rev)) // when it fails, the lease ends by itself
}
