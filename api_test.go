package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/pb33f/libopenapi"

	"marginline/alerts/api"
)

// served is the API over a data folder that this process owns.
func served(t *testing.T, data string) (*app, *httptest.Server) {
	t.Helper()
	cfg, err := loadConfig("", nil, map[string]any{"data": data, "log.level": "error"})
	if err != nil {
		t.Fatal(err)
	}
	a, err := openApp(t.Context(), cfg, cfg.logger(io.Discard))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := a.close(); err != nil {
			t.Error(err)
		}
	})
	if err := a.start(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := a.watch.ready(t.Context()); err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewServer(api.Handler(a.floor, "test"))
	t.Cleanup(srv.Close)
	return a, srv
}

// call makes a request and decodes the answer; the status must be the one wanted.
func call(t *testing.T, srv *httptest.Server, status int, method, path string, body any) map[string]any {
	t.Helper()
	var in io.Reader
	kind := "application/json"
	switch b := body.(type) {
	case nil:
	case string:
		in, kind = strings.NewReader(b), "text/csv"
	default:
		text, err := json.Marshal(b)
		if err != nil {
			t.Fatal(err)
		}
		in = bytes.NewReader(text)
	}
	req, err := http.NewRequestWithContext(t.Context(), method, srv.URL+api.Base+path, in)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", kind)
	res, err := srv.Client().Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	if res.StatusCode != status {
		t.Fatalf("%s %s: %d, want %d\n%s", method, path, res.StatusCode, status, text)
	}
	if status >= 400 && res.Header.Get("Content-Type") != "application/problem+json" {
		t.Errorf("%s %s: an error of type %s", method, path, res.Header.Get("Content-Type"))
	}
	var v any
	if err := json.Unmarshal(text, &v); err != nil {
		return map[string]any{"text": string(text)}
	}
	if m, ok := v.(map[string]any); ok {
		return m
	}
	return map[string]any{"list": v}
}

// The description of the API, read by an independent implementation of OpenAPI 3.1.
func TestAPIDescription(t *testing.T) {
	data, _ := smallFleet(t)
	_, srv := served(t, data)
	res, err := srv.Client().Get(srv.URL + api.Base + "/openapi.json")
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	doc, err := libopenapi.NewDocument(text)
	if err != nil {
		t.Fatal(err)
	}
	model, err := doc.BuildV3Model()
	if err != nil {
		t.Fatal(err)
	}
	if v := model.Model.Version; !strings.HasPrefix(v, "3.1") {
		t.Errorf("OpenAPI %s", v)
	}
	n := 0
	for path, item := range model.Model.Paths.PathItems.FromOldest() {
		for method, op := range item.GetOperations().FromOldest() {
			n++
			if op.Summary == "" || op.OperationId == "" || op.Responses.Codes.Len() == 0 {
				t.Errorf("%s %s says too little", method, path)
			}
			for code, r := range op.Responses.Codes.FromOldest() {
				if code[0] == '4' && r.Content.GetOrZero("application/problem+json") == nil {
					t.Errorf("%s %s %s: no Problem Details", method, path, code)
				}
			}
		}
	}
	if n < 20 {
		t.Errorf("%d operations are described", n)
	}
}

// Everything that a shop does, over HTTP alone.
func TestAPIFromReportToRecords(t *testing.T) {
	data, units := smallFleet(t)
	a, srv := served(t, data)
	now := a.now().UTC()
	call(t, srv, 422, "GET", "/plan", nil) // no shop file yet
	call(t, srv, 200, "PUT", "/shop/file", map[string]any{"by": "Priya", "text": readText(t, yardFileOf(t, a))})
	call(t, srv, 422, "POST", "/shop/facts", map[string]any{"kind": "report", "unit": units[0], "at": now, "by": "driver", "symptom": "wobble"})
	call(t, srv, 422, "POST", "/shop/facts", map[string]any{"kind": "nonsense"})
	call(t, srv, 200, "POST", "/shop/facts", map[string]any{"kind": "report", "unit": units[0], "at": now, "by": "driver", "symptom": "fuel_smell"})
	imported := call(t, srv, 200, "POST", "/shop/facts/import?by=Priya", "kind,unit,date,level\nservice,"+units[1]+","+now.AddDate(0, 0, -2).Format(time.DateOnly)+",A\nservice,nobody,2026-01-01,A\n")
	if imported["added"] != 1.0 || len(imported["errors"].([]any)) != 1 {
		t.Errorf("%v", imported)
	}
	list := call(t, srv, 200, "GET", "/alerts", nil)["list"].([]any)
	first := list[0].(map[string]any)
	id := first["id"].(string)
	if first["consequence"] != "stop" {
		t.Errorf("%v", first)
	}
	call(t, srv, 404, "GET", "/alerts/a-NOPE", nil)
	call(t, srv, 422, "POST", "/alerts/"+id+"/decisions", map[string]any{"decision": "mute", "by": "Tomas", "reason": "hot week"}) // no end
	call(t, srv, 200, "POST", "/alerts/"+id+"/decisions", map[string]any{"decision": "acknowledge", "by": "Odalys"})
	plan := call(t, srv, 200, "GET", "/plan?days=14", nil)
	if len(plan["visits"].([]any)) == 0 {
		t.Fatalf("%v", plan)
	}
	o := call(t, srv, 200, "POST", "/plan/"+id+"/accept", map[string]any{"by": "Odalys"})
	order := o["id"].(string)
	call(t, srv, 404, "POST", "/plan/a-NOPE/accept", map[string]any{"by": "Odalys"})
	call(t, srv, 409, "POST", "/orders/"+order+"/steps", map[string]any{"step": "close", "by": "Priya", "reason": "x"})
	call(t, srv, 200, "POST", "/orders/"+order+"/steps", map[string]any{"step": "arrive", "by": "Priya"})
	if s := call(t, srv, 200, "GET", "/orders/"+order+"/sheet", nil)["text"].(string); !strings.Contains(s, "SAFETY FIRST") {
		t.Error(s)
	}
	out := map[string]any{"key": "k1", "at": now.Add(time.Hour), "by": "Wes", "found": "found", "cause": "hose off", "correction": "hose on", "codes_cleared": true, "reprogrammed": false, "hours": 0.7}
	for range 2 {
		o = call(t, srv, 200, "POST", "/orders/"+order+"/outcomes", out)
	}
	if o["state"] != "verifying" || len(o["outcomes"].([]any)) != 1 {
		t.Errorf("%v", o)
	}
	if f := call(t, srv, 200, "GET", "/units/"+units[0]+"/readiness", nil); f["unit"] != nil && !strings.Contains(fmt.Sprint(f["words"]), "Codes were cleared") {
		t.Errorf("%v", f)
	}
	rec := call(t, srv, 200, "GET", "/units/"+units[0]+"/records", nil)
	orders := rec["orders"].([]any)
	if len(orders) != 1 || len(orders[0].(map[string]any)["history"].([]any)) < 5 || rec["unit"].(map[string]any)["unit"] != units[0] || len(rec["facts"].([]any)) != 1 {
		t.Errorf("%v", rec)
	}
	call(t, srv, 404, "GET", "/units/nobody/records", nil)
	depot := rec["unit"].(map[string]any)["depot"].(string)
	if cal := call(t, srv, 200, "GET", "/calendars/"+url.PathEscape(depot), nil)["text"].(string); !strings.Contains(cal, "UID:"+order+"@marginline") {
		t.Error(cal)
	}
	call(t, srv, 404, "GET", "/calendars/Nowhere", nil)
	call(t, srv, 404, "POST", "/deliveries/test", map[string]any{"by": "Tomas", "to": "webhook"}) // none is set
	for _, to := range []string{"nats", "calendar"} {
		if sent := call(t, srv, 200, "POST", "/deliveries/test", map[string]any{"by": "Tomas", "to": to}); sent["state"] != "taken" || sent["said"] == "" {
			t.Errorf("%s: %v", to, sent)
		}
	}
	rev := call(t, srv, 200, "GET", "/review?from="+now.AddDate(0, -1, 0).Format(time.RFC3339)+"&until="+now.AddDate(0, 0, 1).Format(time.RFC3339), nil)
	if rev["total"].(map[string]any)["results"].(map[string]any)["repair"] != 1.0 {
		t.Errorf("%v", rev["total"])
	}
	call(t, srv, 422, "GET", "/review?from=x&until=y", nil)
}
