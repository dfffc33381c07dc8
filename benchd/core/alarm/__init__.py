"""How a finding becomes an alarm or a call: the phrase table, the alert book, the one voice."""
