package ingest

import (
	"context"
	"crypto/sha256"
	"encoding/binary"

	"marginline/ingest/broker"
)

// A name is a cut cryptographic hash: 16 bytes for an id of any length, and nobody can make two alike.
type name [16]byte

func nameOf(parts ...string) name {
	var room [512]byte
	text := room[:0]
	for _, p := range parts {
		text = append(binary.LittleEndian.AppendUint64(text, uint64(len(p))), p...)
	}
	sum := sha256.Sum256(text)
	return name(sum[:16])
}

// seen remembers every report that was taken in, and everything that was refused.
type seen struct {
	reports map[name]uint64 // digest by report id
	refused map[name]struct{}
}

// load fills in the reports of the lake.
func (s *seen) load(ctx context.Context, lake Lake) error {
	s.reports = map[name]uint64{}
	return lake.Reports(ctx, func(id string, digest uint64) error {
		s.reports[nameOf(id)] = digest
		return nil
	})
}

// loadRefused fills in what is in the quarantine, or nothing.
func (s *seen) loadRefused(ctx context.Context, log *broker.Broker) error {
	refused := map[name]struct{}{}
	err := log.EachQuarantined(ctx, func(e broker.Entry) error {
		if e.Message == broker.WholeReport {
			refused[refusal(&e)] = struct{}{}
		}
		return nil
	})
	if err == nil {
		s.refused = refused
	}
	return err
}

// refusal names a refused report by what it was and why.
func refusal(e *broker.Entry) name { return nameOf(e.Device, e.Reason, string(e.Raw)) }
