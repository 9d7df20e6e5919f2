// Package broker is the log of raw reports: NATS JetStream, embedded in this process or somewhere else.
//
// It is the first stage. A dongle publishes to obd.reports.<device>; once the publish is acknowledged the
// report is on disk, and it stays until it is older than Config.MaxAge, read or not, so that everything
// downstream can be made again. What can't be decoded goes to a second stream, the quarantine, with the
// reason and the bytes.
//
//	OBD_REPORTS     obd.reports.<device>                      the reports, limits retention
//	                obd.taken.<device>                        those that this service publishes itself (import, replay), with headers
//	OBD_QUARANTINE  obd.quarantine.<stream>.<seq>.<message>   one subject an entry, one entry a subject
//	MARGINLINE_ALERTS  marginline.alerts.<kind>.<unit>        what happened to alerts, for other programs (Config.AlertAge)
//
// Durability. JetStream acknowledges before it syncs unless told otherwise; the embedded server is told
// (SyncAlways). One synced publish at a time is slow, so bulk publishers use PublishBatch: one sync for up
// to a thousand reports, all or none of them stored. The embedded server listens on no port unless
// Config.Listen names one.
//
// Room. The log refuses new reports when it is full (Config.MaxBytes), rather than drop old ones that may not
// be committed: the dongle keeps what was refused. Committed ones make room (MakeRoom).
//
// MQTT. The embedded server also speaks MQTT 3.1.1 (Config.MQTT); topic obd/reports/<device> is the subject
// obd.reports.<device>. Its PUBACK does not mean that the report stream has the message: the server sends it
// when its own MQTT session store has taken the message, and hands it to the stream afterwards. A dongle
// that forgets a report on PUBACK can lose it when this process dies in between. So there are receipts: when
// a report is committed the consumer publishes one to obd.receipts.<device> (topic obd/receipts/<device>),
// and a dongle that must not lose anything keeps a report until its receipt comes, and sends it again, with
// the same id, when none came within a minute. Receipts are not stored: one that was missed comes again as
// "duplicate" for the report that was sent again. The rejected way was an MQTT front of our own that
// acknowledges after the stream did: a second server to keep, for what one small message does.
//
// Who may publish (gate.go). With a Register that requires it, every connection of the embedded server shows a credential.
// A dongle may publish its own subject and subscribe to its own answers, nothing else, and lives on NATS in an account
// without JetStream; package enroll has the design and the threats. Floods: flood.go.
//
// Order. A Puller gives the reports strictly by sequence, each once in the life of the Puller. It starts
// behind the sequence that the lake has committed: the lake and not the consumer's acknowledgements is
// the memory of how far we are, because only the lake knows what it has on disk. So every Pull makes its
// durable consumer anew, and acknowledging serves the server's own view (lag, monitoring). The rejected
// way was to trust redelivery: after a crash it comes late and behind newer reports, and a decision that
// depends on the order would differ from run to run. When a delivery is lost on the way (a connection that
// broke), the consumer's own numbering shows the gap, and the Puller starts again behind what it had.
//
// Idempotence. The subject of a quarantine entry names the stream (by a hash of its id), the sequence and
// the message, and a subject holds one entry: writing it again replaces it by itself. A report stream that
// was deleted and made again has another id, so its entries do not take the places of the old ones.
//
// Cluster (cluster.go, lease.go). The brokers of several nodes keep the streams together, each report on Cluster.Replicas
// of them before it is acknowledged. Which node may commit is a lease: a key that is gone five seconds after it was
// last written, in a bucket that the nodes keep together. Its holder writes it every second, each time on top of what
// it wrote before, and gives up four seconds after the last write that was confirmed, by its own clock and
// counted from before the write was sent: so it has ended when the key is gone, however slow the answers were. Rejected: a
// consumer with one pinned client, which moves the reports to another node and does not tell the first one to stop.
//
// The Broker owns the embedded server and the connection, with their goroutines; Close ends them: drain,
// shut down, wait.
package broker
