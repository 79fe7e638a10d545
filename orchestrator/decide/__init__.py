"""The run as a state machine: events in, commands out. Pure: no asyncio, os, time, random or ssh."""
