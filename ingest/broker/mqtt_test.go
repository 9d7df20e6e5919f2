package broker

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"net"
	"os/exec"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// Two independent clients of MQTT 3.1.1 (OASIS standard) publish with QoS 1 and the report is in the log:
// the Eclipse library, and the command of Debian's mosquitto-clients.
func TestMQTT(t *testing.T) {
	b := open(t, Config{Dir: t.TempDir(), MQTT: "127.0.0.1:0"})
	defer closeIt(t, b)
	p, err := b.Pull(t.Context(), 0)
	if err != nil {
		t.Fatal(err)
	}

	c := client(t, b, "dgl-1")
	receipts := make(chan string, 1)
	done(t, c.Subscribe("obd/receipts/dgl-1", 1, func(_ mqtt.Client, m mqtt.Message) { receipts <- string(m.Payload()) }))
	done(t, c.Publish("obd/reports/dgl-1", 1, false, `{"id":"a"}`))
	out, err := exec.CommandContext(t.Context(), "mosquitto_pub", "-V", "mqttv311", "-h", "127.0.0.1", "-p", port(t, b), "-i", "dgl-2", "-q", "1", "-t", "obd/reports/dgl-2", "-m", `{"id":"b"}`).CombinedOutput()
	if err != nil {
		t.Fatalf("mosquitto_pub: %v\n%s", err, out)
	}
	for i, m := range fetch(t, p, 2) {
		if want := fmt.Sprintf("dgl-%d", i+1); m.Device != want || string(m.Data) != []string{`{"id":"a"}`, `{"id":"b"}`}[i] {
			t.Errorf("%s: %s, want it of %s", m.Device, m.Data, want)
		}
	}

	if err := b.Receipt("dgl-1", Receipt{ID: "a", Kept: "stored"}); err != nil {
		t.Fatal(err)
	}
	select {
	case got := <-receipts:
		var r Receipt
		if err := json.Unmarshal([]byte(got), &r); err != nil || r != (Receipt{ID: "a", Kept: "stored"}) {
			t.Errorf("%s %v", got, err)
		}
	case <-time.After(20 * time.Second):
		t.Error("no receipt came")
	}
}

// What was published is there after the server was stopped and started again, and a dongle goes on with it.
func TestMQTT_Restart(t *testing.T) {
	dir := t.TempDir()
	b := open(t, Config{Dir: dir, MQTT: "127.0.0.1:0"})
	c := client(t, b, "dgl-1")
	for i := range 50 {
		done(t, c.Publish("obd/reports/dgl-1", 1, false, fmt.Sprint(i)))
	}
	p, err := b.Pull(t.Context(), 0)
	if err != nil {
		t.Fatal(err)
	}
	fetch(t, p, 50)
	closeIt(t, b)
	b = open(t, Config{Dir: dir, MQTT: "127.0.0.1:0"})
	defer closeIt(t, b)
	done(t, client(t, b, "dgl-1").Publish("obd/reports/dgl-1", 1, false, "50"))
	if p, err = b.Pull(t.Context(), 0); err != nil {
		t.Fatal(err)
	}
	for i, m := range fetch(t, p, 51) {
		if string(m.Data) != fmt.Sprint(i) {
			t.Fatalf("report %d is %s", i, m.Data)
		}
	}
}

func TestMQTT_Config(t *testing.T) {
	for _, bad := range []string{"127.0.0.1", "127.0.0.1:mqtt", "127.0.0.1:70000"} {
		if b, err := Open(t.Context(), Config{Dir: t.TempDir(), MQTT: bad}, slog.New(slog.DiscardHandler)); err == nil || !strings.Contains(err.Error(), "mqtt") {
			t.Errorf("%s: %v", bad, err)
			if b != nil {
				b.Close()
			}
		}
	}
}

func port(t *testing.T, b *Broker) string {
	t.Helper()
	_, p, err := net.SplitHostPort(b.MQTTAddr())
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func client(t *testing.T, b *Broker, id string) mqtt.Client {
	t.Helper()
	o := mqtt.NewClientOptions().AddBroker("tcp://127.0.0.1:" + port(t, b)).SetClientID(id).SetProtocolVersion(4).SetAutoReconnect(false)
	c := mqtt.NewClient(o)
	done(t, c.Connect())
	t.Cleanup(func() { c.Disconnect(100) })
	return c
}

func done(t *testing.T, k mqtt.Token) {
	t.Helper()
	if !k.WaitTimeout(20 * time.Second) {
		t.Fatal("the MQTT server does not answer")
	}
	if k.Error() != nil {
		t.Fatal(k.Error())
	}
}
