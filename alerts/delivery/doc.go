// Package delivery carries what happens in the alert book to where people look: signed webhooks, e-mail, a
// NATS subject, and a calendar feed a depot.
//
// # Outbox
//
// An event goes into the outbox, a table with one row a receiver, in the moment it happens, and leaves it when
// the receiver has taken it. Its id hashes what happened, so adding it again changes nothing: at its start the
// service adds what the history of the last two days tells, and a crash between the book and the outbox loses
// nothing. A crash between the receiver's answer and our note of it sends again under the same id: webhook-id,
// Nats-Msg-Id and Message-ID are that id, and the bytes are the same, so that the receiver can tell.
//
// A receiver that fails is tried again at growing distances for about three days; then, or when it refuses for
// good (ErrRefused), the event is kept as failed and said so: on the page, in the API and in the metrics.
// Receivers do not wait for each other. Rows leave the table after a month.
//
// A test message goes the same way to one receiver, is tried once, and its result is what the sender sees.
//
// # Ways
//
// Webhook: a CloudEvents 1.0 event in JSON, signed as Standard Webhooks 1.0 says.
//
// NATS: the same JSON (CloudEvents NATS binding 1.0.2, structured mode, the only one it has) on
// marginline.alerts.<kind>.<unit>. The subject is that of a small stream and not of core NATS alone: a publish
// is acknowledged when it is on disk, the stream drops a repeated Nats-Msg-Id, and a subscriber that was away
// reads on. Plain subscribers get every message all the same, a repeated one too.
//
// E-mail: one message a recipient and event, at once for the classes and kinds that the recipient calls urgent;
// held to the end of the recipient's quiet hours unless it may break them; and a digest a day, at a local time.
// Which hours are quiet is asked again at every try, so that a retry wakes nobody either. Text of other people
// never becomes a header: controls are taken out and the library encodes the rest.
//
// Calendar: a pure function from work orders to iCalendar (RFC 5545): the same order keeps its UID, a move
// raises SEQUENCE, and a day that was given back is sent as cancelled. It is fetched, not sent.
//
// Run blocks and sends; nothing else here starts anything.
package delivery
