"""Gives a message to a target of any kind."""

from __future__ import annotations

from flowdiag.watch.message import Message
from flowdiag.watch.notify import Command, Mail, Target, Webhook


def deliver(target: Target, message: Message, now_ms: int) -> None:
    """Returns once the target has taken a message, within its time or soon after. now_ms: since 1970 UTC. Raises NotTaken."""
    if isinstance(target, Webhook):
        from flowdiag.watch.targets.webhook import post

        post(target, message, now_ms)
    elif isinstance(target, Mail):
        from flowdiag.watch.targets.mail import send

        send(target, message, now_ms)
    elif isinstance(target, Command):
        from flowdiag.watch.targets.command import run

        run(target, message)
