"""Who belongs to this household: certificates, phones, and frames that leave."""
