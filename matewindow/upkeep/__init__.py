"""Keeping an installation well: backups that are proven, restoring them, and telling what is wrong."""
