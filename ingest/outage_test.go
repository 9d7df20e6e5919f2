package ingest

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// The service was away for twelve days. The dongles hand over what they kept, in any order and some of it
// twice, while the service is stopped again and again: what ends in the lake is what an undisturbed run in
// order gives, every report once.
func TestOutage(t *testing.T) {
	type sent struct{ device, payload string }
	var all []sent
	begin := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	for i := range 12 * 24 {
		for device, vin := range map[string]string{"dgl-a": vinA, "dgl-b": vinB} {
			id := fmt.Sprintf("%s.%d", device, i)
			all = append(all, sent{device, reportOf(id, device, vin, begin.Add(time.Duration(i)*time.Hour).Format(time.RFC3339), fmt.Sprintf("46 21 89 20 01 %02X 00 80 FF FF", i%256), fuel)})
		}
	}
	received := cmp.FilterPath(func(p cmp.Path) bool { return p.Last().String() == ".Received" }, cmp.Ignore())

	inOrder := newHouse(t)
	inOrder.run(nil)
	for _, s := range all {
		inOrder.publish(s.device, s.payload)
	}
	inOrder.settled()

	h := newHouse(t)
	h.cfg.FlushRows = 50
	h.run(nil)
	chance := rand.New(rand.NewPCG(1, 2))
	backlog := append([]sent(nil), all...)
	for range len(all) / 5 {
		backlog = append(backlog, all[chance.IntN(len(all))])
	}
	chance.Shuffle(len(backlog), func(i, j int) { backlog[i], backlog[j] = backlog[j], backlog[i] })
	for i, s := range backlog {
		h.publish(s.device, s.payload)
		if i%200 == 100 {
			h.reopen()
			h.run(nil)
		}
	}
	h.settled()
	if diff := cmp.Diff(inOrder.stored(), h.stored(), samePolls, received); diff != "" {
		t.Error(diff)
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	told := map[string]int{}
	for _, p := range h.polls {
		if told[p.ReportID]++; told[p.ReportID] > 1 {
			t.Errorf("%s was told twice", p.ReportID)
		}
	}
}
