package main

import (
	"strings"
	"testing"
)

// Raw frames on the command line: worked frames of ISO 15765-2, SAE J1939-21 and the buses before CAN (all
// from memory).
func TestDecode_Frames(t *testing.T) {
	items := decoded(t, exitFailed, "--bus", "can", "--frames", "7DF#020621", "7E8#100A462189200140", "7E9#100A462189200140", "7E0#300000", "7E8#210080FFFF555555")
	if len(items) != 2 || items[0]["test"] != "m21.t89" || items[0]["ecu"] != "7e8" || items[0]["passed"] != true || items[0]["raw_min"] != 128.0 {
		t.Errorf("%v", items)
	}
	if reason, _ := items[1]["reason"].(string); items[1]["kind"] != "error" || !strings.Contains(reason, "6 of 10 bytes") {
		t.Errorf("%v", items[1])
	}
	items = decoded(t, exitOK, "--bus", "j1939", "--frames", "1CECF900#100C0002FF00A400", "1CEC00F9#110201FFFF00A400", "1CEBF900#01F7AA0C104400A0", "1CEBF900#0247605AFFFFFFFF", "1CEC00F9#130C0002FF00A400")
	if len(items) != 1 || items[0]["test"] != "s3242.f16.t247" || items[0]["ecu"] != "00" || items[0]["value"] != 300.0 || items[0]["max"] != 450.0 {
		t.Errorf("%v", items)
	}
	// The two limits of one test, in two frames (CRC-8), join; a third frame was damaged on the way.
	items = decoded(t, exitFailed, "--bus", "j1850", "--frames", "48 6B 10 46 03 04 0078 0190 19", "48 6B 10 46 03 04 0078 0190 18", "48 6B 10 46 03 84 0078 003C 4A")
	if len(items) != 2 || items[0]["kind"] != "error" || items[1]["test"] != "t03.c04" || items[1]["raw_min"] != 60.0 || items[1]["raw_max"] != 400.0 || items[1]["ecu"] != "10" {
		t.Errorf("%v", items)
	}
	for _, c := range []struct{ args, want string }{
		{"--bus can --frames 7E8", "frame 1: want an id"},
		{"--bus can --frames 7E8#R4", "frame 1: want one data frame"},
		{"--bus can --frames --from 7E8 7E8#0101", "--from and --pgn"},
		{"--bus j1850 --frames zz", "frame 1: "},
	} {
		if _, errs, code := try(t, append([]string{"decode"}, strings.Fields(c.args)...)...); code != exitUsage || !strings.Contains(errs, c.want) {
			t.Errorf("%s: exit %d, %s", c.args, code, errs)
		}
	}
}

// A test catalogue gives meaning to a maker's test, for the engine family that is named.
func TestDecode_Catalogue(t *testing.T) {
	cat := write(t, "tests.csv", "applies_to,test,component,name,scale,offset,unit,signed\nKR-20,61,00,Purge flow,0.5,0,Pa,0\n")
	args := []string{"--bus", "iso9141", "--catalogue", cat, "46 61 80 00A6 000D"}
	if r := decoded(t, exitOK, append(args, "--engine-family", "KR-20")...)[0]; r["value"] != 83.0 || r["min"] != 6.5 || r["unit_of_measure"] != "Pa" || !strings.Contains(r["explanation"].(string), "Purge flow") {
		t.Errorf("%v", r)
	}
	if r := decoded(t, exitOK, args...)[0]; r["value"] != 166.0 || r["unit_of_measure"] != "1" {
		t.Errorf("%v", r)
	}
}
