package broker

import (
	"encoding/json"
	"fmt"
)

// A Receipt tells a dongle what became of a report: it is on disk, whatever became of it. Dongles get it as
// JSON on ReceiptSubject + device (MQTT: obd/receipts/<device>).
type Receipt struct {
	ID     string `json:"id"`               // the report's; "" when it could not be read
	Kept   string `json:"kept"`             // stored, duplicate or quarantined
	Reason string `json:"reason,omitempty"` // why it is in the quarantine as a whole
}

// Receipt sends one. It is not stored: a dongle that misses it sends its report again, which is harmless.
func (b *Broker) Receipt(device string, r Receipt) error {
	text, err := json.Marshal(r)
	if err != nil {
		return fmt.Errorf("broker: receipt: %w", err)
	}
	if err := b.conn.Publish(ReceiptSubject+device, text); err != nil {
		return fmt.Errorf("broker: receipt: %w", err)
	}
	return nil
}
