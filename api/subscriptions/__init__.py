"""Subscriptions: addresses that are told of events by signed webhooks."""
