package delivery

import (
	"context"
	"crypto/sha256"
	"encoding/base32"
	"encoding/json"
	"fmt"
	"strings"
	"time"
)

// SubjectPrefix is where alerts are published; SubjectPrefix + ">" is all of them.
const SubjectPrefix = "marginline.alerts."

// A Publisher stores a message and publishes it. The same id again, within the time that the stream looks back,
// is stored once. It returns where the message is, in words.
type Publisher interface {
	PublishEvent(ctx context.Context, subject, id, contentType string, body []byte) (said string, err error)
}

// NATS publishes events on marginline.alerts.<kind>.<unit>.
type NATS struct{ to Publisher }

// NewNATS publishes through p.
func NewNATS(p Publisher) *NATS { return &NATS{p} }

// Target is the subject as a receiver of every event; where names the server.
func (n *NATS) Target(where string) Target {
	return Target{Name: WayNATS, Way: WayNATS, Where: SubjectPrefix + "<kind>.<unit>, " + where, When: "every event, at once", Channel: n}
}

// Send publishes an event in the structured mode of the CloudEvents NATS binding 1.0.2, which has no headers. The
// content type is for receivers of its newer draft, who tell the mode by it.
func (n *NATS) Send(ctx context.Context, e Event, _ time.Time) (string, error) {
	body, err := json.Marshal(e)
	if err != nil {
		return "", err
	}
	said, err := n.to.PublishEvent(ctx, SubjectOf(e), e.ID, "application/cloudevents+json", body)
	if err != nil {
		return "", fmt.Errorf("nats: %w", err)
	}
	return said, nil
}

// SubjectOf is the subject of an event: the kind of its alert as it is now and its unit. A test message has the
// kind test and the unit _.
func SubjectOf(e Event) string {
	kind := "test"
	if a, is := e.alert(); is {
		kind = string(a.Kind)
	}
	return SubjectPrefix + Token(kind) + "." + Token(e.Subject)
}

const tokenBytes = 128

// Token is a name as one token of a subject: letters, digits, - and _ stay, every other byte is %XX, as URLs
// have it (RFC 3986, 2.1); an empty name is _. Of a name that gets too long for a subject the beginning is
// left, with ~ and a hash of the whole.
func Token(name string) string {
	if name == "" {
		return "_"
	}
	var b strings.Builder
	for i := range len(name) {
		switch c := name[i]; {
		case c >= 'a' && c <= 'z', c >= 'A' && c <= 'Z', c >= '0' && c <= '9', c == '-', c == '_':
			b.WriteByte(c)
		default:
			fmt.Fprintf(&b, "%%%02X", c)
		}
	}
	t := b.String()
	if len(t) <= tokenBytes {
		return t
	}
	sum := sha256.Sum256([]byte(name))
	keep := tokenBytes - 27
	if at := strings.LastIndexByte(t[:keep], '%'); at > keep-3 { // no half of a %XX
		keep = at
	}
	return t[:keep] + "~" + base32.StdEncoding.EncodeToString(sum[:16])[:26]
}
