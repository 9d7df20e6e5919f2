package main

import (
	"encoding/json"
	"log/slog"
	"path/filepath"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// A dongle that follows the guide over MQTT 3.1.1 hears, from the running service, what the guide says.
func TestDongleGuide_MQTT(t *testing.T) {
	cfg, err := loadConfig("", nil, map[string]any{"data": filepath.Join(t.TempDir(), "d"), "broker.mqtt": "127.0.0.1:0", "flush.every": "50ms"})
	if err != nil {
		t.Fatal(err)
	}
	a, err := openApp(t.Context(), cfg, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	defer a.close()
	if err := a.start(t.Context()); err != nil {
		t.Fatal(err)
	}
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + a.broker.MQTTAddr()).SetClientID("dgl-0217").SetProtocolVersion(4))
	wait := func(k mqtt.Token) {
		t.Helper()
		if !k.WaitTimeout(20*time.Second) || k.Error() != nil {
			t.Fatal(k.Error())
		}
	}
	wait(c.Connect())
	defer c.Disconnect(100)
	heard := make(chan string, 1)
	for line := range strings.Lines(examplesOf(t, "mqtt")[0].text) {
		do, topic, _ := strings.Cut(strings.TrimSpace(line), " ")
		switch do {
		case "subscribe":
			wait(c.Subscribe(topic, 1, func(_ mqtt.Client, m mqtt.Message) { heard <- string(m.Payload()) }))
		case "publish":
			wait(c.Publish(topic, 1, false, guideReports(t)["can"]))
		default:
			t.Fatalf("the guide says %q", line)
		}
	}
	select {
	case got := <-heard:
		if want := strings.TrimSpace(examplesOf(t, "mqtt", "receipt")[0].text); got != want || !json.Valid([]byte(want)) {
			t.Errorf("heard %s, the guide says %s", got, want)
		}
	case <-time.After(30 * time.Second):
		t.Error("no receipt")
	}
}
