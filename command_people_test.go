package main

import (
	"bytes"
	"encoding/json"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"marginline/alerts"
	"marginline/dashboards/people"
)

// Every listener beyond this machine is refused without TLS when the settings are read, and without an administrator when
// the service starts; the words say what to do.
func TestListenersBeyondThisMachine(t *testing.T) {
	for key, yaml := range map[string]string{"web.listen": "web:\n  listen: ADDR\n", "sql.flight": "sql:\n  flight: ADDR\n", "broker.listen": "broker:\n  listen: ADDR\n", "broker.mqtt": "broker:\n  mqtt: ADDR\n"} {
		for _, addr := range []string{"0.0.0.0:8470", "'[::]:8470'", ":8470", "192.0.2.1:8470", "fleet.example.org:8470"} {
			_, err := loadConfig(write(t, "c.yaml", strings.Replace(yaml, "ADDR", addr, 1)), nil, nil)
			if err == nil || !strings.Contains(err.Error(), key) || key == "web.listen" && !(strings.Contains(err.Error(), "web.cert") && strings.Contains(err.Error(), "people add")) {
				t.Errorf("%s %s: %v", key, addr, err)
			}
		}
		for _, addr := range []string{"127.0.0.1:0", "localhost:0", "'[::1]:0'"} {
			if _, err := loadConfig(write(t, "c.yaml", strings.Replace(yaml, "ADDR", addr, 1)), nil, nil); err != nil {
				t.Errorf("%s %s: %v", key, addr, err)
			}
		}
	}
	for _, c := range []struct{ yaml, want string }{
		{"web:\n  cert: c.pem\n", "web.cert"}, {"web:\n  acme: ops@example.org\n", "web.url"}, {"web:\n  acme: ops\n  url: https://f.example.org\n", "web.acme"}, {"web:\n  acme: ops@example.org\n  url: https://fleet\n", "web.acme"}, {"web:\n  acme: ops@example.org\n  url: http://f.example.org\n", "web.acme"},
		{"web:\n  acme_directory: https://ca.example.org/dir\n", "web.acme_directory"}, {"web:\n  acme: ops@example.org\n  url: https://f.example.org\n  acme_directory: http://ca.example.org/dir\n", "web.acme_directory"}, {"web:\n  url: f.example.org\n", "web.url"},
		{"web:\n  acme: ops@example.org\n  url: https://f.example.org\n  cert: c\n  key: k\n", "web.acme"}, {"people:\n  idle: 1s\n", "people"}, {"oidc:\n  issuer: https://i.example.org\n  client_id: x\n  roles: a=viewer\n", "web.url"},
		{"oidc:\n  issuer: http://i.example.org\n", "oidc"},
	} {
		if _, err := loadConfig(write(t, "c.yaml", c.yaml), nil, nil); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: %v, want it to name %s", c.yaml, err, c.want)
		}
	}
	data := filepath.Join(t.TempDir(), "data")
	file := write(t, "c.yaml", "web:\n  listen: 0.0.0.0:0\n  cert: c.pem\n  key: k.pem\nsql:\n  flight: 0.0.0.0:0\n")
	_, errs, code := try(t, "serve", "--config", file, "--data", data)
	if code != exitFailed || !strings.Contains(errs, "people add NAME --role administrator --data "+data) {
		t.Errorf("%d: %s", code, errs)
	}
	cfg, err := loadConfig(file, nil, map[string]any{"data": data, "log.level": "error"})
	if err != nil {
		t.Fatal(err)
	}
	a, err := openApp(t.Context(), cfg, cfg.logger(io.Discard))
	if err != nil {
		t.Fatal(err)
	}
	defer a.close()
	if _, err := a.beside(); err == nil || !strings.Contains(err.Error(), "sql.flight") {
		t.Errorf("Flight SQL listens beyond this machine without an administrator: %v", err)
	}
}

func TestPeopleCommands(t *testing.T) {
	data := filepath.Join(t.TempDir(), "data")
	if _, errs, code := try(t, "people", "add", "wes", "--role", "viewer", "--data", data); code != exitFailed || !strings.Contains(errs, "administrator") {
		t.Errorf("%d %s", code, errs)
	}
	var out, errs bytes.Buffer
	if code := run(t.Context(), []string{"people", "add", "odalys", "--role", "administrator", "--password-stdin", "--data", data}, strings.NewReader(testPhrase+"\n"), &out, &errs); code != exitOK || out.Len() > 0 {
		t.Fatalf("%d %s %s", code, &out, &errs)
	}
	made := must(t, "people", "add", "bay2", "--role", "shop", "--depot", "North", "--depot", "Harbor Road", "--data", data)
	if !strings.HasPrefix(made, "password: ") || len(made) < 30 {
		t.Errorf("%q", made)
	}
	must(t, "people", "role", "bay2", "shop", "--depot", "North", "--data", data)
	must(t, "people", "disable", "bay2", "--data", data)
	key := must(t, "people", "key", "odalys", "--label", "notebook", "--role", "analyst", "--data", data)
	if list := must(t, "people", "list", "-o", "csv", "--data", data); !strings.Contains(list, "bay2,,shop,North,disabled") || !strings.Contains(list, "odalys,,administrator,,active") {
		t.Error(list)
	}
	keys := must(t, "people", "keys", "-o", "csv", "--data", data)
	id, _, _ := strings.Cut(strings.Split(keys, "\n")[1], ",")
	if strings.Contains(keys, strings.TrimPrefix(strings.TrimSpace(key), "key: ")) || !strings.Contains(key, id) {
		t.Error(keys)
	}
	changes := must(t, "people", "changes", "--data", data, "-o", "csv")
	for _, want := range []string{"person added,odalys", "person added,bay2", "role changed,bay2", "person disabled,bay2", "key made,odalys"} {
		if !strings.Contains(changes, ","+orUser("")+","+want) {
			t.Errorf("no %q by %s in\n%s", want, orUser(""), changes)
		}
	}
	if i, err := os.Stat(filepath.Join(data, "state.db")); err != nil || i.Mode().Perm() != 0o600 {
		t.Errorf("state.db: %v %v", i.Mode(), err)
	}
	// Flight SQL takes the keys of those who may query, and no longer the token of the folder.
	cfg, err := loadConfig("", nil, map[string]any{"data": data, "log.level": "error"})
	if err != nil {
		t.Fatal(err)
	}
	a, err := openApp(t.Context(), cfg, cfg.logger(io.Discard))
	if err != nil {
		t.Fatal(err)
	}
	defer a.close()
	token := strings.Repeat("t", 30)
	admits := a.flightKey(token)
	secret := strings.TrimPrefix(strings.TrimSpace(key), "key: ")
	if !admits(t.Context(), secret) || admits(t.Context(), token) || admits(t.Context(), "") || admits(t.Context(), testPhrase) {
		t.Error("Flight SQL admits the wrong ones")
	}
	if err := a.people.SetRole(t.Context(), "test", "bay2", people.Viewer, nil); err != nil {
		t.Fatal(err)
	}
	if err := a.people.Enable(t.Context(), "test", "bay2"); err != nil {
		t.Fatal(err)
	}
	if err := a.people.Revoke(t.Context(), "test", "", id); err != nil || admits(t.Context(), secret) {
		t.Error("a revoked key opens Flight SQL", err)
	}
}

// Words that carry markup come out as words on the pages of the shop, whoever wrote them.
func TestHostileWordsOnTheShopsPages(t *testing.T) {
	g := guardedFleet(t)
	boss := g.signIn(t, "tomas")
	const attack = `"><script class=pwn>window.pwned=1</script><img src=x onerror=pwned()>`
	if status, text, _ := boss.ask(t, "POST", "/shop/facts", url.Values{"kind": {"report"}, "unit": {g.own}, "symptom": {"fuel_smell"}, "text": {attack}, "date": {g.now().UTC().Format(time.DateOnly)}}.Encode(), nil); status != 303 {
		t.Fatal(status, text)
	}
	list, err := g.book.List(t.Context(), false)
	if err != nil {
		t.Fatal(err)
	}
	var order *alerts.WorkOrder
	for _, a := range list {
		if order, err = g.floor.Open(t.Context(), a.ID, attack, true); err == nil {
			break
		}
	}
	if order == nil {
		t.Fatal("no alert became an order")
	}
	page := "/orders/" + order.ID
	if status, _, _ := boss.ask(t, "POST", page+"/steps", url.Values{"step": {"arrive"}, "reason": {attack}, "bay": {attack}}.Encode(), nil); status != 303 {
		t.Error(status)
	}
	body, err := json.Marshal(map[string]any{"key": "k", "at": g.now().UTC().Add(time.Minute), "found": "found", "cause": attack, "correction": attack, "parts": attack, "codes_cleared": false, "reprogrammed": false})
	if err != nil {
		t.Fatal(err)
	}
	if status, text, _ := boss.ask(t, "POST", "/api/v1"+page+"/outcomes", string(body), nil); status != 200 {
		t.Errorf("%d %.300s", status, text)
	}
	shown := 0
	for _, path := range []string{"/shop", page, page + "/outcome", "/orders", "/plan", "/review", "/units/" + g.own, "/alerts/" + order.AlertIDs[0], "/", "/shop?of=" + url.QueryEscape(attack), "/review?from=" + url.QueryEscape(attack), "/find?q=" + url.QueryEscape(attack)} {
		_, text, h := boss.ask(t, "GET", path, "", nil)
		if strings.Contains(text, "<script class=pwn") || strings.Contains(text, "<img src=x") {
			t.Errorf("%s carries markup of a reader", path)
		}
		if strings.Contains(text, "class=pwn") {
			shown++
		}
		if csp := h.Get("Content-Security-Policy"); path != "/find?q="+url.QueryEscape(attack) && !strings.Contains(csp, "default-src 'none'") {
			t.Errorf("%s: policy %q", path, csp)
		}
	}
	if shown < 3 {
		t.Errorf("only %d pages show the words: this test looks at the wrong ones", shown)
	}
	history, err := g.book.OrderHistory(t.Context(), order.ID)
	if err != nil || !slices.ContainsFunc(history, func(e alerts.OrderEntry) bool { return e.Who == "tomas" }) {
		t.Errorf("%+v %v", history, err)
	}
}
