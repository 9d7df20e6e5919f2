package ingest

import (
	"fmt"
	"strconv"
	"strings"

	"marginline/ingest/obd"
	"marginline/ingest/series"
)

// tests tells of each test that cannot be protected why, and counts those that can.
func (x *examiner) tests() {
	if x.Tests == 0 {
		x.find(TopicTest, "no test result: there is nothing to protect.")
	}
	sent := map[string]bool{}
	for i := range x.taken.poll.Results {
		r := &x.taken.poll.Results[i]
		sent[node(r.ECU, r.SPN != series.None)+" "+monitorKey(r)] = true
	}
	support := false
	for i := range x.taken.read.Items {
		it := &x.taken.read.Items[i]
		switch it.Kind {
		case obd.KindSupport:
			support = x.unsent(it, sent) || support
		case obd.KindResult:
			if words := x.unprotected(it); words != "" {
				f := x.find(TopicTest, "%s", words)
				f.Message, f.ECU, f.Test, f.Name = x.taken.index[it.Message]+1, it.ECU, it.Result.Test, obd.Name(it.Result)
				if it.Name != "" {
					f.Name = it.Name
				}
			}
		}
	}
	if x.Tests > 0 && !support {
		x.find(TopicTest, "no list of what the control units can report (%s): results that were not read would not be missed.", x.how.support)
	}
}

// unprotected says why a test cannot be protected, or what weakens its protection; "" where nothing does.
func (x *examiner) unprotected(it *obd.Item) string {
	switch r := it.Result; {
	case r.State == series.StateNotRun:
		return "cannot be protected yet: not run since codes were cleared or the battery was disconnected. This is no pass; it will be followed once its monitor has completed."
	case r.State == series.StateNoLimit:
		return "cannot be protected: the vehicle sends no real limit. Stored and shown, never an alert."
	case r.State == series.StateConstant:
		return "cannot be protected: value and limits are one number, a constant of the calibration and no measurement."
	case r.State == series.StateInvalid:
		return "cannot be protected: " + obd.Explain(r)
	case r.Passed == series.False:
		return "too late to protect: it fails now. Most monitors set the code when they fail in the next trip too."
	default:
		x.Followed++
		return caveat(it)
	}
}

// caveat is what weakens the protection of a test that is followed; "" for nothing.
func caveat(it *obd.Item) string {
	var words []string
	r := it.Result
	if !obd.Scaled(r) && it.Name == "" && r.UnitOfMeasure == "1" && r.Value == float64(r.Raw.Value) { // nor by the test catalogue
		switch {
		case r.UAS != series.None:
			words = append(words, fmt.Sprintf("followed in raw counts: the unit id %02X is not known, and its offset is taken as 0.", r.UAS))
		case r.Slot != series.None:
			words = append(words, fmt.Sprintf("followed in raw counts: the SLOT %d is not known.", r.Slot))
		default:
			words = append(words, "followed in raw counts: this bus sends no unit and no meaning. An entry in the test catalogue can name it.")
		}
	}
	if r.Margin != r.Margin {
		words = append(words, "followed by its distance to the limit: no margin is defined, as its zero is no real zero.")
	}
	if r.TID == 0x0C && obd.Family(r) == "misfire" {
		words = append(words, "a live counter: only the last value of a trip counts, so poll at key-off.")
	}
	return strings.Join(words, " Also ")
}

// monitorKey names the monitor of a result as a list of support does; "" for results that hang on a code
// and those of service 05.
func monitorKey(r *series.Result) string {
	switch {
	case r.MID != series.None:
		return fmt.Sprintf("m%02x", r.MID)
	case r.CID != series.None:
		return fmt.Sprintf("t%02x", r.TID)
	case r.SPN != series.None:
		return "s" + strconv.Itoa(int(r.SPN))
	}
	return ""
}

// unsent tells, once, of monitors that a control unit supports and of which the report has no result. It
// says whether the item lists monitors at all.
func (x *examiner) unsent(it *obd.Item, sent map[string]bool) bool {
	from := x.nodeOf(it) + " "
	missing := func(key string, name func() string) {
		if sent[from+key] {
			return
		}
		sent[from+key] = true
		f := x.find(TopicTest, "the control unit supports it, and the report has no result of it.")
		f.Message, f.ECU, f.Test, f.Name = x.taken.index[it.Message]+1, it.ECU, key, name()
	}
	blank := series.NewResult()
	switch it.Values.Get("of") {
	case "monitor ids", "test ids":
		ids, _ := it.Values.Get("supported").(obd.IDs)
		for id := range ids.Each() {
			n, err := strconv.ParseUint(id, 16, 8)
			if err != nil || n&0x1F == 0 { // another list of support
				continue
			}
			if it.Values.Get("of") == "test ids" {
				missing("t"+strings.ToLower(id), func() string { return "test $" + id })
				continue
			}
			missing("m"+strings.ToLower(id), func() string {
				r := blank
				r.MID, r.TID = int32(n), 0
				name, _, _ := strings.Cut(obd.Name(&r), ", test ")
				return name
			})
		}
	case "SPNs":
		ids, _ := it.Values.Get("with_test_results").([]int32)
		for _, id := range ids {
			missing("s"+strconv.Itoa(int(id)), func() string {
				r := blank
				r.SPN = id
				name, _, _ := strings.Cut(obd.Name(&r), ", FMI ")
				return name
			})
		}
	default:
		return false
	}
	return true
}
