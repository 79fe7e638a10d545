"""What passes between hosts, journal, state machine, verdicts and tables: each shape declared once.

Hosts' answers are checked key by key where they come in (`act/answers`); what stands in a journal was checked before it
was written. From there on it has these types. Keys that older journals, other systems or failed trials lack are those
of `total=False`: they are read with `.get`.
"""
