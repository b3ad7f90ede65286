"""The commands: parse, call, print. No arithmetic."""
