"""The queue of orders, from placing to taking."""
