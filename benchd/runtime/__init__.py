"""The imperative shell: clock, mailbox, supervision, journal, line framing, the broker link, the socket."""
