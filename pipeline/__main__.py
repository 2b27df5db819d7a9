"""`python -m pipeline` is the command `strideledger`."""

from pipeline.cli import main

if __name__ == "__main__":
    main()
