"""Answering: one file per kind of answer; `answers` has them all."""
