"""Printable labels: a QR code that opens a page on the phone, and in large letters what it is for."""
