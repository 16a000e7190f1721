"""The watch as a service: notifications, reload, status, metrics."""
