"""Getting word out: the outbox and its lanes, the plan, how a message is told when it is sent."""
