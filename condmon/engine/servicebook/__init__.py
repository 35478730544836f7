"""The service book: components with their life, tasks, visits, measurements. Pure.

A fold over the records of kind `Filed`: `ServiceBook.take` is the whole of it.
"""
