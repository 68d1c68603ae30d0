"""Processes and memory: work in a second process, and a process held to limits."""
