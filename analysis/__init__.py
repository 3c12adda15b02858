"""The journal, to the amount of gas, to the loss, to the verdict."""
