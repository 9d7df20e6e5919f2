// Package delivery carries what happens in the alert book to where people look: signed webhooks and a
// calendar feed a depot.
//
// An event goes into the outbox, a table, in the moment it happens, and leaves it when the receiver has taken
// it; a crash in between sends it again under the same id, which is what the id is for. The body of a webhook
// is a CloudEvents 1.0 event in JSON, its signature follows Standard Webhooks 1.0. A receiver that fails is
// tried again at growing distances for about three days, then the event is kept as failed and said so.
//
// The calendar is a pure function from work orders to iCalendar (RFC 5545): the same order keeps its UID, a
// move raises SEQUENCE, and a day that was given back is sent as cancelled.
//
// Run blocks and sends; nothing else here starts anything.
package delivery
