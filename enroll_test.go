package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/nats-io/nats.go"
)

// A dongle is enrolled, publishes over NATS and MQTT with what it was given, is moved, rotated and revoked, while the service
// runs; who has no credential is put out; no secret is in the log.
func TestEnrollWhileServing(t *testing.T) {
	data := filepath.Join(t.TempDir(), "d")
	must(t, "import", "--data", data, "--roster", write(t, "roster.csv", "unit,vin,device\nU1,9ZZTEST74RA000123,dgl-1\nU2,9ZZTEST7XRA000014,dgl-2\nU3,9ZZTEST78RA000027,\n"))
	addr, mq := free(t), free(t)
	cmd := program(t, "serve", "--data", data, "--listen", free(t), "--broker-listen", addr, "--broker-mqtt", mq, "--log-level", "debug")
	cmd.Env = append(cmd.Env, "MARGINLINE_FLUSH_EVERY=50ms", "MARGINLINE_DISK_FLOOR=0")
	log, err := os.Create(filepath.Join(t.TempDir(), "log"))
	if err != nil {
		t.Fatal(err)
	}
	cmd.Stderr = log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() {
		cmd.Process.Kill()
		cmd.Wait()
	}()
	var open *nats.Conn
	within(t, 2*time.Minute, "the broker is up", func() bool {
		open, err = nats.Connect("nats://"+addr, nats.MaxReconnects(0))
		return err == nil
	})
	defer open.Close()

	given := func(args ...string) map[string]string {
		t.Helper()
		var fields []struct{ Field, Value string }
		if err := json.Unmarshal([]byte(must(t, append(args, "--by", "Rao", "--data", data, "-o", "json")...)), &fields); err != nil {
			t.Fatal(err)
		}
		m := map[string]string{}
		for _, f := range fields {
			m[f.Field] = f.Value
		}
		return m
	}
	one := given("enroll", "dgl-1")
	within(t, time.Minute, "who came in without a credential is put out", open.IsClosed)
	if c, err := nats.Connect("nats://" + addr); err == nil {
		c.Close()
		t.Error("nobody is served still")
	}
	seed := write(t, "dongle.nk", one["nats_seed"])
	auth, err := nats.NkeyOptionFromSeed(seed)
	if err != nil {
		t.Fatal(err)
	}
	nc, err := nats.Connect("nats://"+addr, auth, nats.CustomInboxPrefix(one["nats_inbox_prefix"]), nats.MaxReconnects(0))
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	if m, err := nc.Request("obd.reports.dgl-1", []byte(strings.ReplaceAll(report1, "\n", "")), 30*time.Second); err != nil || !strings.Contains(string(m.Data), `"seq"`) {
		t.Fatalf("%v %v", m, err)
	}
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + mq).SetClientID("dgl-1").SetProtocolVersion(4).SetAutoReconnect(false).SetUsername(one["mqtt_user"]).SetPassword(one["mqtt_password"]))
	if k := c.Connect(); !k.WaitTimeout(30*time.Second) || k.Error() != nil {
		t.Fatal(k.Error())
	}
	defer c.Disconnect(0)
	receipt := make(chan string, 4)
	c.Subscribe("obd/receipts/dgl-1", 0, func(_ mqtt.Client, m mqtt.Message) { receipt <- string(m.Payload()) }).WaitTimeout(30 * time.Second)
	second := strings.NewReplacer("\n", "", "r-1", "r-2", "06:14:09", "07:14:09").Replace(report1)
	for _, want := range []string{"stored", "duplicate"} { // a captured message that is sent again changes nothing
		c.Publish("obd/reports/dgl-1", 1, false, second).WaitTimeout(30 * time.Second)
		select {
		case got := <-receipt:
			for strings.Contains(got, `"r-1"`) { // of what went over NATS
				got = <-receipt
			}
			if !strings.Contains(got, `"r-2"`) || !strings.Contains(got, want) {
				t.Errorf("receipt %s, want %s", got, want)
			}
		case <-time.After(time.Minute):
			t.Fatalf("no receipt, want %s", want)
		}
	}

	must(t, "enroll", "move", "dgl-1", "--unit", "U3", "--by", "Rao", "--data", data)
	if _, errs, code := try(t, "enroll", "move", "dgl-1", "--unit", "U2", "--data", data); code != exitFailed || !strings.Contains(errs, `carries dongle "dgl-2"`) {
		t.Errorf("exit %d: %s", code, errs)
	}
	if l := must(t, "enroll", "list", "--data", data, "-o", "csv"); !strings.Contains(l, "dgl-1,U3,enrolled") {
		t.Error(l)
	}
	newer := given("enroll", "rotate", "dgl-1", "--overlap", "1h")
	must(t, "enroll", "revoke", "dgl-1", "--reason", "stolen", "--by", "Rao", "--data", data)
	within(t, time.Minute, "live connections end", func() bool { return nc.IsClosed() && !c.IsConnectionOpen() })
	h := must(t, "enroll", "history", "--device", "dgl-1", "--data", data, "-o", "csv")
	for _, want := range []string{"enrolled,Rao", "moved,Rao,from U1 to U3", "rotated,Rao", "revoked,Rao,stolen"} {
		if !strings.Contains(h, want) {
			t.Errorf("no %q in\n%s", want, h)
		}
	}
	if _, errs, code := try(t, "enroll", "a.b", "--data", data); code != exitFailed || !strings.Contains(errs, "1 to 64 of") {
		t.Errorf("exit %d: %s", code, errs)
	}
	text, err := os.ReadFile(log.Name())
	if err != nil || len(text) == 0 {
		t.Fatalf("no log: %v", err)
	}
	for _, secret := range []string{one["nats_seed"], one["mqtt_password"], one["nats_inbox_prefix"], newer["mqtt_password"], newer["nats_seed"]} {
		if secret == "" || strings.Contains(string(text), secret) {
			t.Errorf("a secret is in the log, or empty: %q", secret)
		}
	}
}

// Beyond this machine dongles need TLS, and then a credential without being asked.
func TestBrokerBeyondThisMachine(t *testing.T) {
	for _, flag := range []string{"--broker-listen", "--broker-mqtt"} {
		_, errs, code := try(t, "serve", "--data", t.TempDir(), flag, "0.0.0.0:0")
		if code != exitUsage || !strings.Contains(errs, "would not be encrypted") {
			t.Errorf("%s: exit %d: %s", flag, code, errs)
		}
	}
	for addr, want := range map[string]bool{"": false, "127.0.0.1:4222": false, "[::1]:4222": false, "localhost:1": false, "0.0.0.0:4222": true, ":4222": true, "192.0.2.7:4222": true} {
		c := config{}
		c.Broker.Auth, c.Broker.Listen = "auto", addr
		if got := c.mustSignIn(); got != want {
			t.Errorf("%q: %v, want %v", addr, got, want)
		}
	}
	if _, errs, code := try(t, "serve", "--data", t.TempDir(), "--config", write(t, "c.yaml", fmt.Sprintf("broker: {auth: %s}\n", "sometimes"))); code != exitUsage || !strings.Contains(errs, "auto or required") {
		t.Errorf("exit %d: %s", code, errs)
	}
}
