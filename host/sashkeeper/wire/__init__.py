"""The wire: brokers, the subscription, and bytes turned into checked messages and back."""
