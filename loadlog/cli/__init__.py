"""The commands of the outside, thin: each reads its arguments, calls one function of a stage, and prints what it returns.

Every module holds the commands of one subject; what they need of other packages is imported inside the command, so that
``loadlog run list`` does not wait for the web framework.
"""
