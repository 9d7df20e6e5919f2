package obd

import (
	"encoding/binary"
	"fmt"
	"slices"

	"marginline/ingest/series"
)

// Counters of InfoType 08 (spark) and 0B (compression) in their order, SAE J1979 (from memory; the last
// eight of 08 with medium confidence). COMP counts monitorings that could have found a fault, COND the
// trips in which one was possible. The first two are no pair.
var (
	sparkCounters = []string{
		"OBDCOND", "IGNCNTR", "CATCOMP1", "CATCOND1", "CATCOMP2", "CATCOND2", "O2SCOMP1", "O2SCOND1", "O2SCOMP2", "O2SCOND2",
		"EGRCOMP", "EGRCOND", "AIRCOMP", "AIRCOND", "EVAPCOMP", "EVAPCOND", "SO2SCOMP1", "SO2SCOND1", "SO2SCOMP2", "SO2SCOND2",
		"AFRICOMP1", "AFRICOND1", "AFRICOMP2", "AFRICOND2", "PFCOMP1", "PFCOND1", "PFCOMP2", "PFCOND2",
	}
	compressionCounters = []string{
		"OBDCOND", "IGNCNTR", "HCCATCOMP", "HCCATCOND", "NCATCOMP", "NCATCOND", "NADSCOMP", "NADSCOND", "PMCOMP", "PMCOND",
		"EGSCOMP", "EGSCOND", "EGRCOMP", "EGRCOND", "BPCOMP", "BPCOND", "FUELCOMP", "FUELCOND",
	}

	// How many of them a control unit has: more with each revision.
	sparkCounts, compressionCounts = []int{16, 20, 28}, []int{16, 18}
)

// inUse names the counters of two bytes each and keeps the numerators.
func (d *decoder) inUse(infoType byte, b []byte) Fields {
	names := sparkCounters
	if infoType == 0x0B {
		names = compressionCounters
	}
	v := make(Fields, 0, len(b)/2)
	n := &d.nodes[d.node]
	n.told = true
	for i := range len(b) / 2 {
		name := fmt.Sprintf("COUNTER%d", i+1)
		if i < len(names) {
			name = names[i]
		}
		x := int32(binary.BigEndian.Uint16(b[2*i:]))
		v = append(v, Field{name, x})
		if i >= 2 && i%2 == 0 && i < len(names) {
			n.runs = append(n.runs, run{name, x})
		}
	}
	return v
}

// counterOf gives the numerators that may count the monitor of a result, the closest first; none where no ratio is
// kept for it. Rear oxygen sensors have their own since SO2S exists, and none before.
func counterOf(r *series.Result) [2]string {
	switch mid := r.MID; {
	case mid == 0x21:
		return [2]string{"CATCOMP1", "HCCATCOMP"}
	case mid == 0x22:
		return [2]string{"CATCOMP2", "HCCATCOMP"}
	case mid == 0x01:
		return [2]string{"O2SCOMP1", "EGSCOMP"}
	case mid == 0x05:
		return [2]string{"O2SCOMP2", "EGSCOMP"}
	case mid >= 0x02 && mid <= 0x04:
		return [2]string{"SO2SCOMP1", "EGSCOMP"}
	case mid >= 0x06 && mid <= 0x08:
		return [2]string{"SO2SCOMP2", "EGSCOMP"}
	case mid >= 0x31 && mid <= 0x38:
		return [2]string{"EGRCOMP"}
	case mid >= 0x39 && mid <= 0x3D:
		return [2]string{"EVAPCOMP"}
	case mid >= 0x71 && mid <= 0x74:
		return [2]string{"AIRCOMP"}
	case mid == 0x85 || mid == 0x86:
		return [2]string{"BPCOMP"}
	case mid == 0x90 || mid == 0x91:
		return [2]string{"NADSCOMP"}
	case mid == 0x98 || mid == 0x99:
		return [2]string{"NCATCOMP"}
	case mid == 0xB2:
		return [2]string{"PFCOMP1", "PMCOMP"}
	case mid == 0xB3:
		return [2]string{"PFCOMP2", "PMCOMP"}
	case r.DTC != "":
		if code, ok := powertrain(r.DTC); ok {
			return ratios[code]
		}
	case r.SPN != series.None:
		if s, ok := spns[r.SPN]; ok {
			return [2]string{groupNames[s.group]}
		}
	}
	return [2]string{}
}

// ratios holds the counters of the codes whose monitor has a ratio and whose counter is certain: no circuit codes, which
// are watched all the time, and none that leaves the bank open.
var ratios = must(readRatios())

func readRatios() (map[int][2]string, error) {
	all := map[int][2]string{}
	return all, each("ratios", "codes,spark,compression,source", func(row []string) error {
		for i, names := range [][]string{sparkCounters, compressionCounters} {
			if row[1+i] != "" && !slices.Contains(names, row[1+i]) {
				return fmt.Errorf("no counter %q", row[1+i])
			}
		}
		return codeRanges(row[0], func(from, to int) {
			for code := from; code <= to; code++ {
				all[code] = [2]string{row[1], row[2]}
			}
		})
	})
}

func runsOf(runs []run, r *series.Result) int32 {
	if len(runs) == 0 {
		return series.None
	}
	for _, name := range counterOf(r) {
		for i := range runs {
			if name != "" && runs[i].counter == name {
				return runs[i].n
			}
		}
	}
	return series.None
}
