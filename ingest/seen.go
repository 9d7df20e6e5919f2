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

// load fills the memory from the lake and the quarantine.
func (s *seen) load(ctx context.Context, lake Lake, log *broker.Broker) error {
	s.reports, s.refused = map[name]uint64{}, map[name]struct{}{}
	err := lake.Reports(ctx, func(id string, digest uint64) error {
		s.reports[nameOf(id)] = digest
		return nil
	})
	if err != nil {
		return err
	}
	return log.EachQuarantined(ctx, func(e broker.Entry) error {
		if e.Message == broker.WholeReport {
			s.refused[refusal(&e)] = struct{}{}
		}
		return nil
	})
}

// refusal names a refused report by what it was and why.
func refusal(e *broker.Entry) name { return nameOf(e.Device, e.Reason, string(e.Raw)) }
