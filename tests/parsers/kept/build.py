"""What stands in for reading a log where its copy is to do."""


def refuse(*_args):
    raise AssertionError("the log itself was read again")
